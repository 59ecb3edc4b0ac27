//! Faults of the sizes that classes make, each on an otherwise sound photo: the photo must be retaken, for that reason.

use std::sync::LazyLock;

use rayon::prelude::*;
use slitwatch::decode::{self, Fault as Unread};
use slitwatch::simulate::{Fault, Source, draw};
use slitwatch::terms::Capture;
use slitwatch::terms::{Code, Severity, Verdict};

use super::lab::{Bench, Seen, light, look_at, photograph};
use super::scale;

/// The bench of [`scale`], its pictures cut.
fn bench() -> Bench {
    Bench::sound(0, 71)
}

/// An otherwise sound photo with faults, through a disc as it is; a sample is seen with the bench's lamp photo behind it.
fn taken(seed: u64, faults: Vec<Fault>, capture: Capture, source: Source) -> Seen {
    static LAMP: LazyLock<Seen> = LazyLock::new(|| bench().real_lamp(101));
    let what = format!("{faults:?}");
    let shot = bench().real_shot(seed, light(source, 8), faults, seed);
    let scale = (capture == Capture::Sample).then(|| LAMP.calibration());
    photograph(&what, &shot, capture, scale)
}

#[test]
fn every_planted_fault_is_found_and_named() {
    use Capture::{Calibration, Sample};
    let faults = [
        (Fault::Clipped(12.0), Code::Clipped, Sample, Source::Sodium),
        // Two lines of it are over-exposed; most of what is lit lies between them.
        (Fault::Clipped(6.5), Code::Clipped, Sample, Source::Neon),
        (
            Fault::Dim(45.0),
            Code::Dim,
            Sample,
            Source::Tungsten(2800.0),
        ),
        // Lines that hardly stand out of the noise are light all the same.
        (
            Fault::Dim(70.0),
            Code::Dim,
            Calibration,
            Source::TriPhosphor,
        ),
        (Fault::Dim(90.0), Code::Dim, Sample, Source::Helium),
        (
            Fault::Tilted(-9.0),
            Code::Tilted,
            Calibration,
            Source::TriPhosphor,
        ),
        (
            Fault::Skewed(6.0),
            Code::Skewed,
            Calibration,
            Source::TriPhosphor,
        ),
        (
            Fault::SlitWide(950.0),
            Code::SlitWide,
            Calibration,
            Source::TriPhosphor,
        ),
        // So wide that the lamp's lines run into each other and give no scale.
        (
            Fault::SlitWide(1180.0),
            Code::SlitWide,
            Calibration,
            Source::TriPhosphor,
        ),
        (
            Fault::Defocused(7.0),
            Code::Defocused,
            Sample,
            Source::Helium,
        ),
        // Half as far again as the limit: straight across, where only the lamp photo tells it from a wide slit, and aslant.
        (Fault::Moved(9.5, 2.0), Code::Moved, Sample, Source::Helium),
        (
            Fault::Moved(9.5, -30.0),
            Code::Moved,
            Sample,
            Source::Helium,
        ),
        // The lines lean so far that each leaves its block of colour before it ends.
        (
            Fault::Skewed(9.5),
            Code::Skewed,
            Calibration,
            Source::TriPhosphor,
        ),
        (
            Fault::Moved(26.0, 20.0),
            Code::Moved,
            Sample,
            Source::Helium,
        ),
        // Straight across the slit: only the lines and the slit's own image show it.
        (Fault::Moved(25.0, 1.0), Code::Moved, Sample, Source::Helium),
        (Fault::Leak(0.12), Code::Leak, Sample, Source::Mercury),
        (Fault::Leak(0.12), Code::Leak, Sample, Source::Helium),
        (Fault::Leak(0.13), Code::Leak, Sample, Source::Sodium),
        // Two lines in a grey veil: known by the bench's own slit between them.
        (Fault::Leak(0.147), Code::Leak, Sample, Source::Laser(650.0)),
        (Fault::Cropped(550.0), Code::Cropped, Sample, Source::Neon),
        // Turned by so much that its slit could be taken for a line, the slit being hidden.
        (
            Fault::Cropped(535.0),
            Code::Cropped,
            Sample,
            Source::Hydrogen,
        ),
        // Its one line is outside the picture: nothing but the slit's image is left.
        (
            Fault::Cropped(565.0),
            Code::Cropped,
            Sample,
            Source::Laser(632.8158),
        ),
        // Its one line lies at the picture's edge: cut off, and the slit's image is not one of two lines.
        (
            Fault::Cropped(651.0),
            Code::Cropped,
            Sample,
            Source::Laser(650.0),
        ),
    ];
    let wrong: Vec<String> = faults
        .into_par_iter()
        .filter_map(|(fault, code, capture, source)| {
            let seen = taken(61, vec![fault], capture, source);
            // Other reasons may follow from the fault; this one must be among those for which it is taken again.
            let found = seen.verdict == Verdict::Retake && seen.must_be_retaken_for(code);
            (!found).then(|| format!("{seen:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn over_exposed_lines_in_stray_light_are_called_so() {
    let mut bench = bench();
    bench.instrument.leak_level = 0.01;
    let lamp = bench.lamp_shot(101, (0.7, -0.2, 0.3));
    let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
    // Clipped lines look whiter than they are, the stray light beside them is grey, and its streaks have ends as well.
    for wavelength_nm in [450.0, 532.0, 650.0] {
        let laser = Source::Laser(wavelength_nm);
        let mut shot = bench.shot(61, light(laser, 8), (0.3, 0.1, 0.1));
        shot.faults = vec![Fault::Clipped(12.0)];
        let what = format!("laser of {wavelength_nm} nm");
        let seen = photograph(&what, &shot, Capture::Sample, Some(lamp.calibration()));
        let named = |code: Code| seen.reasons.iter().any(|r| r.code == code);
        assert!(seen.must_be_retaken_for(Code::Leak), "{seen:?}");
        assert!(named(Code::Clipped), "{seen:?}");
        for wrong in [Code::Dim, Code::PoorFit, Code::NoSpectrum] {
            assert!(!named(wrong), "{seen:?}");
        }
    }
}

#[test]
fn two_faults_of_one_photo_are_both_named() {
    use Capture::{Calibration, Sample};
    use Source::{Helium, Neon, TriPhosphor};
    let pairs = [
        (
            Fault::Tilted(-9.0),
            Fault::Skewed(6.0),
            Calibration,
            TriPhosphor,
        ),
        (
            Fault::Tilted(9.0),
            Fault::SlitWide(950.0),
            Calibration,
            TriPhosphor,
        ),
        (
            Fault::Skewed(6.0),
            Fault::SlitWide(950.0),
            Calibration,
            TriPhosphor,
        ),
        (
            Fault::Skewed(-6.0),
            Fault::Leak(0.12),
            Calibration,
            TriPhosphor,
        ),
        (Fault::Tilted(8.0), Fault::Defocused(7.0), Sample, Helium),
        (Fault::Clipped(12.0), Fault::Tilted(9.0), Sample, Neon),
        (Fault::Clipped(12.0), Fault::Cropped(560.0), Sample, Neon),
        (Fault::Cropped(560.0), Fault::Defocused(7.0), Sample, Neon),
        (Fault::Leak(0.12), Fault::Tilted(-8.0), Sample, Helium),
        (Fault::Leak(0.12), Fault::Defocused(7.0), Sample, Helium),
        (Fault::Moved(26.0, 20.0), Fault::Tilted(9.0), Sample, Helium),
        (
            Fault::Dim(45.0),
            Fault::Tilted(9.0),
            Sample,
            Source::Tungsten(2800.0),
        ),
    ];
    let wrong: Vec<String> = pairs
        .into_par_iter()
        .filter_map(|(one, other, capture, source)| {
            let seen = taken(63, vec![one, other], capture, source);
            let named = |fault: Fault| seen.reasons.iter().any(|r| r.code.as_str() == fault.code());
            let found = seen.verdict == Verdict::Retake && named(one) && named(other);
            (!found).then(|| format!("{seen:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn what_the_phone_chose_by_itself_is_a_caution_and_a_cut_file_is_truncated() {
    let scale = scale::lamp().calibration();
    let mut shot = scale::bench().shot(62, light(Source::Helium, 8), (0.2, 0.0, 0.1));
    shot.faults = vec![Fault::ExposureAuto];
    let photo = draw(&shot);
    let seen = look_at(
        "automatic",
        &photo.jpeg,
        photo.truth,
        Capture::Sample,
        Some(scale),
    );
    assert_eq!(seen.verdict, Verdict::Caution, "{seen:?}");
    let codes: Vec<(Code, Severity)> = seen.reasons.iter().map(|r| (r.code, r.severity)).collect();
    assert_eq!(codes, [(Code::ExposureAuto, Severity::Caution)], "{seen:?}");

    let whole = photo.jpeg;
    for share in [0.3, 0.6, 0.95] {
        let cut = &whole[..(whole.len() as f64 * share) as usize];
        let fault = decode::decode(cut, 300_000_000).err();
        assert!(
            matches!(fault, Some(Unread::Truncated(_))),
            "{share}: {fault:?}"
        );
    }
}
