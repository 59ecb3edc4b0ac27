//! JCAMP-DX 4.24 (McDonald and Wilks, Appl. Spectrosc. 42 (1988) 151): the file that spectroscopy programs read. Plain
//! numbers (AFFN), evenly spaced as `(X++(Y..Y))`, with gaps as `(XY..XY)`.

use std::fmt::Write;

/// What stands in the head of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Head<'a> {
    /// First line.
    pub title: &'a str,
    /// Who made it: instrument or bench.
    pub origin: &'a str,
    /// ISO date and time as the phone says; absent where it does not.
    pub taken: Option<&'a str>,
    /// Unit of the ordinate: `ABSORBANCE`, `TRANSMITTANCE` or `ARBITRARY UNITS`.
    pub y_units: &'a str,
    /// Full width of an unresolved line, nm; absent where unknown.
    pub resolution_nm: Option<f64>,
    /// Further remarks, a line each.
    pub remarks: Vec<String>,
}

/// The ordinate's steps: signals are shares of full scale known to about 1e-5 at best.
const Y_FACTOR: f64 = 1e-6;
/// Longest line of a table: the standard allows 80 characters.
const WIDTH: usize = 78;

/// A spectrum in even steps; `None` for fewer than two points or a point that is not finite.
pub fn even(head: &Head<'_>, first_nm: f64, step_nm: f64, values: &[f64]) -> Option<String> {
    if values.len() < 2 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let last_nm = first_nm + step_nm * (values.len() - 1) as f64;
    let whole: Vec<i64> = values
        .iter()
        .map(|v| (v / Y_FACTOR).round() as i64)
        .collect();
    let first_y = whole[0] as f64 * Y_FACTOR;
    let mut out = begin(head, [first_nm, last_nm], Some(step_nm), values, first_y);
    out += "##XYDATA= (X++(Y..Y))\r\n";
    let mut line = String::new();
    for (i, y) in whole.iter().enumerate() {
        let cell = format!(" {y}");
        if line.len() + cell.len() > WIDTH {
            out += &line;
            out += "\r\n";
            line.clear();
        }
        if line.is_empty() {
            line = decimals(first_nm + step_nm * i as f64, 4);
        }
        line += &cell;
    }
    Some(out + &line + "\r\n##END=\r\n")
}

/// A spectrum with gaps, as pairs; `None` for fewer than two finite points.
pub fn pairs(head: &Head<'_>, points: &[(f64, f64)]) -> Option<String> {
    let (x, y): (Vec<f64>, Vec<f64>) = points
        .iter()
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .copied()
        .unzip();
    let [first_nm, .., last_nm] = x[..] else {
        return None;
    };
    let mut out = begin(head, [first_nm, last_nm], None, &y, y[0]);
    out += "##XYPOINTS= (XY..XY)\r\n";
    for (x, y) in x.into_iter().zip(y) {
        let _ = write!(out, "{}, {}\r\n", decimals(x, 4), digits(y));
    }
    Some(out + "##END=\r\n")
}

/// Everything before the table: what it is, and what its axes are. `step_nm` where it is in even steps of ordinates.
fn begin(
    head: &Head<'_>,
    ends_nm: [f64; 2],
    step_nm: Option<f64>,
    values: &[f64],
    first_y: f64,
) -> String {
    let mut out = labelled("TITLE", head.title);
    out += "##JCAMP-DX= 4.24\r\n##DATA TYPE= UV/VIS SPECTRUM\r\n";
    out += &labelled("ORIGIN", head.origin);
    out += &labelled("OWNER", head.origin);
    if let Some((date, time)) = head.taken.and_then(|t| t.split_once('T')) {
        let date = date.get(2..).unwrap_or(date).replace('-', "/");
        let time = time.get(..8).unwrap_or(time);
        let _ = write!(out, "##DATE= {date}\r\n##TIME= {time}\r\n");
    }
    if let Some(nm) = head.resolution_nm {
        let _ = write!(out, "##RESOLUTION= {}\r\n", decimals(nm, 4));
    }
    for remark in &head.remarks {
        for line in folded(&plain(remark), WIDTH - 3) {
            let _ = write!(out, "$$ {line}\r\n");
        }
    }
    let [first_nm, last_nm] = ends_nm.map(|nm| decimals(nm, 4));
    let _ = write!(
        out,
        "##XUNITS= NANOMETERS\r\n##YUNITS= {}\r\n##FIRSTX= {first_nm}\r\n##LASTX= {last_nm}\r\n",
        head.y_units
    );
    if let Some(step_nm) = step_nm {
        // LASTX less FIRSTX over NPOINTS less 1, to all its digits: a step of a third of a nanometre drifts by a tenth over a
        // spectrum if it is written with four.
        let _ = write!(out, "##DELTAX= {}\r\n", decimals(step_nm, 9));
    }
    let _ = write!(
        out,
        "##MAXY= {}\r\n##MINY= {}\r\n##XFACTOR= 1\r\n##YFACTOR= {}\r\n##NPOINTS= {}\r\n##FIRSTY= {}\r\n",
        digits(values.iter().copied().fold(f64::NEG_INFINITY, f64::max)),
        digits(values.iter().copied().fold(f64::INFINITY, f64::min)),
        step_nm.map_or_else(|| "1".to_owned(), |_| format!("{Y_FACTOR:.6}")),
        values.len(),
        digits(first_y),
    );
    out
}

/// Text in pieces of at most `width` characters of ASCII: longer lines than 80 are no JCAMP-DX.
fn folded(text: &str, width: usize) -> Vec<&str> {
    let mut rest = text;
    let mut pieces = Vec::new();
    while rest.len() > width {
        let at = rest[..width]
            .rfind(' ')
            .filter(|at| *at > 0)
            .unwrap_or(width);
        pieces.push(&rest[..at]);
        rest = rest[at..].trim_start_matches(' ');
    }
    pieces.push(rest);
    pieces
}

/// A label and its text, as much of it as its line holds.
fn labelled(label: &str, text: &str) -> String {
    let text = plain(text);
    let room = WIDTH.saturating_sub(label.len() + 4).min(text.len());
    format!("##{label}= {}\r\n", &text[..room])
}

/// Text that cannot be taken for a label, on one line of ASCII, as the standard has it.
fn plain(text: &str) -> String {
    text.replace(|c: char| !c.is_ascii() || c.is_ascii_control(), "?")
        .replace("##", "# #")
        .replace("$$", "$ $")
}

/// A number with what decimals it has, up to so many.
fn decimals(x: f64, most: usize) -> String {
    let text = format!("{x:.most$}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn digits(y: f64) -> String {
    let text = format!("{y:.6}");
    if text == "-0.000000" {
        "0.000000".to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head() -> Head<'static> {
        Head {
            title: "heron/dye 2 mg ##END=\nß",
            origin: "heron",
            taken: Some("2026-11-12T19:00:05"),
            y_units: "ABSORBANCE",
            resolution_nm: Some(1.4),
            remarks: vec!["made for a test".into()],
        }
    }

    #[test]
    fn a_file_begins_with_title_and_version_and_ends_with_its_end() {
        let file = even(&head(), 400.0, 0.25, &[0.01, 0.02, -0.03]).unwrap();
        let lines: Vec<&str> = file.split("\r\n").collect();
        assert_eq!(lines[0], "##TITLE= heron/dye 2 mg # #END=??");
        assert_eq!(lines[1], "##JCAMP-DX= 4.24");
        assert_eq!(lines[lines.len() - 2], "##END=");
        assert!(file.contains("##DATE= 26/11/12\r\n##TIME= 19:00:05\r\n"));
        assert!(file.contains("400 10000 20000 -30000\r\n"), "{file}");
        assert!(file.contains("##LASTX= 400.5\r\n##DELTAX= 0.25"));
        assert!(file.contains("##FIRSTY= 0.010000"));
    }

    #[test]
    fn no_line_is_longer_than_eighty_characters() {
        let values: Vec<f64> = (0..1700).map(|i| (f64::from(i) * 0.01).sin()).collect();
        let long = "heron/".to_owned() + &"late evening/".repeat(9) + &"x".repeat(120);
        let wordy = Head {
            title: &long,
            origin: &long,
            remarks: vec![long.clone()],
            ..head()
        };
        let file = even(&wordy, 370.0, 0.25, &values).unwrap();
        let remarks: Vec<&str> = file.lines().filter_map(|l| l.strip_prefix("$$ ")).collect();
        assert_eq!(remarks.concat().replace(' ', ""), long.replace(' ', ""));
        let third = even(&head(), 370.0, 1.0 / 3.0, &values).unwrap();
        assert!(third.contains("##DELTAX= 0.333333333\r\n"), "{third}");
        assert!(file.lines().all(|l| l.len() <= 80));
        // Read back by the rule of the form: x of a line is that of its first y.
        let mut read = Vec::new();
        for line in file.split("(X++(Y..Y))\r\n").nth(1).unwrap().lines() {
            if line.starts_with("##") {
                break;
            }
            let numbers: Vec<f64> = line.split(' ').map(|n| n.parse().unwrap()).collect();
            assert!((numbers[0] - (370.0 + 0.25 * read.len() as f64)).abs() < 1e-9);
            read.extend(numbers[1..].iter().map(|y| y * 1e-6));
        }
        assert_eq!(read.len(), values.len());
        assert!(read.iter().zip(&values).all(|(a, b)| (a - b).abs() < 6e-7));
    }

    #[test]
    fn what_is_not_a_number_is_no_point_and_too_few_make_no_file() {
        let file = pairs(&head(), &[(400.0, 0.1), (400.5, f64::NAN), (401.0, 0.3)]).unwrap();
        assert!(file.contains("##NPOINTS= 2\r\n"));
        assert!(file.contains("400, 0.100000\r\n401, 0.300000\r\n"));
        assert_eq!(pairs(&head(), &[(400.0, 0.1)]), None);
        assert_eq!(even(&head(), 400.0, 1.0, &[0.1, f64::NAN]), None);
    }
}
