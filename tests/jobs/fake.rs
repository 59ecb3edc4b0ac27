//! A worker whose photos are text in a container that has a length, as real pictures have, and whose results show what
//! they were made from.

use std::collections::BTreeMap;
use std::time::Duration;

use slitwatch::classify::{Decision, Outcome as Decided, Purpose};
use slitwatch::decode::{self, Facts};
use slitwatch::lab::{Companion, Origin};
use slitwatch::publish::kept::{self, Kept, MEASURED, Origins, Written};
use slitwatch::publish::record::{Measured, Record};
use slitwatch::run::{Class, Fate, Gone, Job, Outcome, Sink, Stands, Work};
use slitwatch::terms::{Capture, Quantity};
use slitwatch::terms::{Code, Reason, Severity, Verdict};

/// A photo whose text is `words`, such as `taken=10:00 light=5`.
pub fn photo(words: &str) -> Vec<u8> {
    // An even length, as the container's rules ask for.
    let text = format!("{words:<64}");
    let mut bytes = b"RIFF".to_vec();
    bytes.extend_from_slice(&(text.len() as u32 + 4).to_le_bytes());
    bytes.extend_from_slice(b"WEBP");
    bytes.extend_from_slice(text.as_bytes());
    bytes
}

/// What a photo's measurement was made from: everything but the configuration, and the picture's without blank and dark.
fn origins(job: &Job) -> Origins {
    let hash = |what: String| kept::hash(what.as_bytes());
    let mut from = job.origin.provenance.clone();
    from.configuration_hash.clear();
    let compared = hash(format!("{from:?}"));
    from.decision_hash.clear();
    from.blank.clear();
    from.dark.clear();
    Origins {
        measured: hash(format!("{from:?}")),
        compared,
    }
}

fn words(bytes: &[u8]) -> BTreeMap<String, String> {
    let text = String::from_utf8_lossy(bytes.get(12..).unwrap_or_default()).into_owned();
    text.split_whitespace()
        .map(|word| word.split_once('=').unwrap_or((word, "")))
        .map(|(key, value)| (key.to_owned(), value.to_owned()))
        .collect()
}

/// Words a photo may hold: `taken=10:00`, `light=5`, `bad` (retake), `panic`, `panic-always`, `slow=50` (ms),
/// `slow-header=50` (ms): a disk that does not give the file.
pub struct Fake;

impl Work for Fake {
    fn facts(&self, bytes: &[u8]) -> Facts {
        let words = words(bytes);
        if let Some(ms) = words.get("slow-header") {
            std::thread::sleep(Duration::from_millis(ms.parse().expect("ms")));
        }
        Facts {
            taken: words
                .get("taken")
                .map(|time| format!("2026-11-25T{time}").parse().expect("a time")),
            ..Facts::default()
        }
    }

    fn decide(&self, photo: &str, _facts: &Facts) -> Decision {
        let (folder, rest) = photo.split_once('/').unwrap_or(("unnamed", photo));
        let name = rest.rsplit('/').next().unwrap_or(rest);
        // `heron@x.jpg` anywhere belongs to heron: a bench that is not a folder's name.
        let bench = name.split_once('@').map_or(folder, |(bench, _)| bench);
        let capture = ["lamp", "dark", "blank"]
            .iter()
            .position(|c| name.starts_with(c));
        let capture = match capture {
            Some(0) => Capture::Calibration,
            Some(1) => Capture::Dark,
            Some(_) => Capture::Blank,
            None => Capture::Sample,
        };
        let outcome = if name.ends_with(".txt") || name.ends_with(".card.png") {
            Decided::Ignore {
                bench: bench.to_owned(),
                why: "notes".to_owned(),
            }
        } else {
            Decided::Measure(Purpose {
                capture,
                bench: bench.to_owned(),
                lamp: String::new(),
                label: name.to_owned(),
                groups: BTreeMap::new(),
            })
        };
        Decision {
            rule: "by name".to_owned(),
            outcome,
            passed_over: Vec::new(),
            basis: Default::default(),
        }
    }

    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        let words = words(bytes);
        if words.contains_key("panic-always")
            || words.contains_key("panic") && *fate == Fate::Measure
        {
            panic!("planted");
        }
        if let Some(ms) = words.get("slow") {
            std::thread::sleep(Duration::from_millis(ms.parse().expect("ms")));
        }
        let light: f64 = words
            .get("light")
            .map_or(1.0, |l| l.parse().expect("light"));
        let light_of = |companions: &[Companion]| -> Result<f64, Gone> {
            let mut sum = 0.0;
            for companion in companions {
                let words = self::words(&job.read(companion)?);
                sum += words
                    .get("light")
                    .map_or(1.0, |l| l.parse::<f64>().expect("light"));
            }
            Ok(sum)
        };
        let mut reasons = Vec::new();
        let Origin {
            photo,
            facts,
            decision,
            provenance,
        } = &job.origin;
        let mut reason = |code, advice: &str| {
            reasons.push(Reason {
                code,
                severity: Severity::Retake,
                measured: String::new(),
                limit: String::new(),
                advice: advice.to_owned(),
            });
        };
        let mut remarks = provenance.circumstances.clone();
        let capture = decision.purpose().map(|p| p.capture);
        let verdict = match fate {
            Fate::Ignore(why) => {
                remarks.push(why.clone());
                Verdict::Ignored
            }
            Fate::Fault(code, what) => {
                reason(*code, what);
                Verdict::Unreadable
            }
            Fate::Retake(code, what) => {
                reason(*code, what);
                Verdict::Retake
            }
            Fate::Measure if decode::suspicion(bytes).is_some() => {
                reason(Code::Truncated, "send it again");
                Verdict::Unreadable
            }
            Fate::Measure if words.contains_key("bad") => {
                reason(Code::Tilted, "turn it");
                Verdict::Retake
            }
            Fate::Measure if capture == Some(Capture::Calibration) => Verdict::Good,
            Fate::Measure if job.company.calibrations.is_empty() => Verdict::Waiting,
            Fate::Measure => Verdict::Good,
        };
        let mut files = Vec::new();
        let mut metrics = Measured::default();
        if verdict == Verdict::Good {
            let scale = light_of(&job.company.calibrations)?;
            let blank = light_of(&job.company.blanks)?;
            let level = light + 1000.0 * scale + 0.001 * blank;
            metrics.set(Quantity::PeakLevel, level);
            // Long enough that a file caught half written would show.
            let rows = "500,1\n".repeat(2000);
            let spectrum = format!("wavelength_nm,signal\n{rows}end\n");
            files.push(("spectrum.csv".to_owned(), spectrum.into_bytes()));
        }
        let record = Record {
            photo: photo.to_owned(),
            bench: decision.bench().to_owned(),
            capture,
            rule: decision.rule.clone(),
            taken: facts.taken.map(|t| t.to_string()),
            verdict,
            reasons,
            metrics,
            remarks: remarks.into_iter().map(Into::into).collect(),
            provenance: provenance.clone(),
            ..Record::default()
        };
        let quality = serde_json::to_vec_pretty(&record).expect("JSON");
        files.push(("quality.json".to_owned(), quality));
        files.push(("photo.log".to_owned(), b"measured\nend\n".to_vec()));
        if *fate == Fate::Measure {
            let kept = Kept::new(origins(job), &bytes.to_vec()).expect("written");
            files.push((
                MEASURED.to_owned(),
                kept.file(&Written::new(kept::hash(b""), &[])),
            ));
        }
        Ok(Outcome {
            record,
            files,
            standing: Vec::new(),
        })
    }

    fn stands(&self, job: &Job, head: &[u8]) -> Stands {
        let needed = origins(job);
        match kept::origins(head) {
            Some(stated) if stated == needed => Stands::All,
            Some(stated) if stated.measured == needed.measured => Stands::Picture,
            _ => Stands::Nothing,
        }
    }

    fn judge(&self, job: &Job, read: &dyn Fn(&str) -> Option<Vec<u8>>) -> Option<Outcome> {
        let (kept, _) = Kept::read(&read(MEASURED)?)?;
        let bytes: Vec<u8> = kept.value()?;
        self.measure(job, &bytes, &Fate::Measure).ok()
    }

    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        if let Some(gate) = std::env::var_os("JOBS_GATE") {
            while std::path::Path::new(&gate).exists() {
                std::thread::sleep(Duration::from_millis(20));
            }
        }
        let mut quality = String::from("photo,folder,verdict\n");
        let mut benches: BTreeMap<String, usize> = BTreeMap::new();
        for (folder, record) in class.photos {
            quality += &format!("{:?},{folder:?},{:?}\n", record.photo, record.verdict);
            *benches.entry(record.bench.clone()).or_default() += 1;
        }
        out.put("quality.csv", (quality + "end\n").as_bytes(), false);
        out.stream("spectra.csv", &mut |table| {
            writeln!(table, "photo,bytes")?;
            let good = class.photos.iter().filter(|p| p.1.verdict == Verdict::Good);
            for (folder, record) in good {
                let n = (class.read)(&format!("{folder}/spectrum.csv")).map_or(0, |s| s.len());
                writeln!(table, "{:?},{n}", record.photo)?;
            }
            writeln!(table, "end")
        });
        for (bench, n) in benches {
            let folder = slitwatch::publish::names::bench_folder(&bench);
            let page = format!("{n} photos\nend\n");
            out.put(&format!("{folder}/index.html"), page.as_bytes(), false);
        }
        let board = format!("{}\n{}\nend\n", class.clock, class.photos.len());
        out.put("board.html", board.as_bytes(), true);
    }
}

/// [`Fake`] by a configuration that asks for a card per photo, or for none.
pub struct WithCards(pub bool);

impl Work for WithCards {
    fn facts(&self, bytes: &[u8]) -> Facts {
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        Fake.decide(photo, facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        Fake.measure(job, bytes, fate)
    }
    fn stands(&self, job: &Job, head: &[u8]) -> Stands {
        Fake.stands(job, head)
    }
    fn judge(&self, job: &Job, read: &dyn Fn(&str) -> Option<Vec<u8>>) -> Option<Outcome> {
        Fake.judge(job, read)
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        Fake.summaries(class, out);
        let with_card = class
            .photos
            .iter()
            .filter(|(_, record)| self.0 && record.verdict != Verdict::Ignored);
        for (folder, record) in with_card {
            let (bench, below) = folder.split_once('/').expect("a bench");
            let path = format!("{bench}/cards/{}.card.png", below.replace('/', "·"));
            out.put(
                &path,
                format!("{:?}\nend\n", record.verdict).as_bytes(),
                false,
            );
        }
    }
}
