//! The shipped wavelengths against other published ones.
//!
//! - BIPM, recommended values of standard frequencies, spectral lamps (`cipm_spectral_lamps.csv`), brought to air with
//!   Ciddor, Appl. Opt. 35, 1566 (1996), equation 1: dry air, 15 °C, 101 325 Pa, 450 ppm of CO2;
//! - ISO 7944 (`iso_7944_lines.csv`);
//! - European Pharmacopoeia, chapter 2.2.25, control of wavelengths: mercury lines to 0.01 nm;
//! - the metre of 1960 (11th CGPM, Resolution 6): 1 650 763.73 wavelengths in vacuum of one line of krypton 86;
//! - CIPM 2007, Recommendation 2: the unstabilised helium-neon laser, 632.9908 nm in vacuum, 1.5e-6 relative;
//! - Fraunhofer lines of the Sun, as tabulated since Rowland, air, to 0.001 nm.

use slitwatch::standards;
use slitwatch::terms::LampLine;

use super::table::rows;

/// Wavelength in standard air of a wavelength in vacuum, nm. Ciddor 1996, equation 1.
fn air_nm(vacuum_nm: f64) -> f64 {
    let sigma2 = (1e3 / vacuum_nm).powi(2);
    let n_minus_1 = 0.05792105 / (238.0185 - sigma2) + 0.00167917 / (57.362 - sigma2);
    vacuum_nm / (1.0 + n_minus_1)
}

/// The shipped line of an element nearest to a wavelength.
fn shipped(element: &str, wavelength_nm: f64) -> LampLine {
    let name = standards::lamp_of_symbol(&element.to_lowercase()).expect("a lamp of this element");
    let lamp = standards::lamps().into_iter().find(|l| l.name == name);
    lamp.expect("the lamp is shipped")
        .lines
        .into_iter()
        .min_by(|a, b| {
            let off = |line: &LampLine| (line.wavelength_nm - wavelength_nm).abs();
            off(a).total_cmp(&off(b))
        })
        .expect("a lamp has lines")
}

#[derive(serde::Deserialize)]
struct Cipm {
    element: String,
    isotope: u32,
    vacuum_nm: f64,
}

#[test]
fn the_air_formula_takes_the_krypton_line_of_the_old_metre_to_its_handbook_value() {
    let vacuum_nm = 1e9 / 1_650_763.73;
    // Handbook of Basic Atomic Spectroscopic Data: Kr I 605.6126 nm in air, four decimals printed.
    assert!((air_nm(vacuum_nm) - 605.6126).abs() < 1e-4);
    assert!((shipped("Kr", 605.6).wavelength_nm - air_nm(vacuum_nm)).abs() < 1e-4);
}

#[test]
fn lamp_lines_agree_with_the_recommended_values_in_vacuum() {
    let mut compared = 0;
    for row in rows::<Cipm>(include_str!("cipm_spectral_lamps.csv")) {
        let expected_nm = air_nm(row.vacuum_nm);
        let line = shipped(&row.element, expected_nm);
        // Kr 564.96 nm is not shipped.
        if (line.wavelength_nm - expected_nm).abs() > 0.1 {
            assert_eq!(row.element, "Kr", "only a krypton line is left out");
            continue;
        }
        let tolerance_nm = match row.element.as_str() {
            // Natural mercury has seven isotopes and the handbook gives the centre of their lines; the isotope shift of
            // 198Hg and the 0.0007 nm by which the values of 1950 are short stay below this.
            "Hg" => 0.002,
            // The handbook prints four decimals, and its lines are those of natural krypton, mostly 84Kr.
            "Kr" => 0.000_2,
            // The same source, rounded to four decimals.
            _ => 0.000_06,
        };
        let off_nm = line.wavelength_nm - expected_nm;
        assert!(
            off_nm.abs() <= tolerance_nm,
            "{}{} {expected_nm:.5}: off by {off_nm:.5} nm",
            row.isotope,
            row.element
        );
        compared += 1;
    }
    assert_eq!(compared, 11);
}

#[derive(serde::Deserialize)]
struct IsoLine {
    line: String,
    element: String,
    wavelength_nm: f64,
}

#[test]
fn lamp_lines_agree_with_the_reference_lines_of_optical_glass() {
    for row in rows::<IsoLine>(include_str!("iso_7944_lines.csv")) {
        let tolerance_nm = match row.element.as_str() {
            // One component of the fine structure against the centre of all: Hα's spread over 0.0127 nm, Hβ's over
            // 0.0074 nm, and the one listed lies at the short end.
            "H" => 0.008,
            // The shipped line is the blend as a lamp shows it, 0.1 nm wide between a thin and a saturated lamp.
            "Na" => 0.055,
            // Rounded differently in the fourth decimal, and isotopes for mercury (up to 0.0015 nm).
            "Hg" => 0.001_6,
            _ => 0.000_5,
        };
        let line = shipped(&row.element, row.wavelength_nm);
        let off_nm = line.wavelength_nm - row.wavelength_nm;
        assert!(
            off_nm.abs() <= tolerance_nm,
            "line {}: off by {off_nm:.5} nm",
            row.line
        );
    }
}

#[test]
fn mercury_lines_round_to_those_of_the_european_pharmacopoeia() {
    for expected in ["404.66", "435.83", "546.07", "576.96", "579.07"] {
        let wavelength_nm: f64 = expected.parse().expect("a number");
        for lamp in standards::lamps() {
            if !["mercury", "fluorescent", "halophosphate"].contains(&lamp.name.as_str()) {
                continue;
            }
            let found = lamp
                .lines
                .iter()
                .find(|line| (line.wavelength_nm - wavelength_nm).abs() < 0.01)
                .unwrap_or_else(|| panic!("{expected} in {}", lamp.name));
            assert_eq!(format!("{:.2}", found.wavelength_nm), expected);
            assert_eq!(found.name, format!("Hg {expected}"));
            assert!(found.fit);
        }
    }
}

#[test]
fn the_helium_neon_laser_is_a_neon_line_and_the_recommended_wavelength() {
    let expected_nm = air_nm(632.9908);
    assert!((expected_nm - 632.8158).abs() < 5e-5);
    let named = standards::lines_for_naming();
    let laser = named
        .iter()
        .find(|line| line.name.starts_with("HeNe"))
        .expect("the laser has a name");
    // 1.5e-6 relative is 0.00095 nm.
    assert!((laser.wavelength_nm - expected_nm).abs() < 0.001);
    assert!((shipped("Ne", 632.8).wavelength_nm - expected_nm).abs() < 0.001);
}

#[test]
fn hydrogen_and_sodium_lines_lie_where_the_sun_lacks_them() {
    // Fraunhofer C, F, G', h. Hα and Hβ of the tables are blends over the fine structure as well; 0.003 nm is the
    // difference between tables.
    for solar_nm in [656.281, 486.134, 434.047, 410.175] {
        let line = shipped("H", solar_nm);
        assert!((line.wavelength_nm - solar_nm).abs() < 0.003, "{solar_nm}");
    }
    // The mean of D1 and D2.
    let named = standards::lines_for_naming();
    let sodium = named.iter().find(|line| line.name.starts_with("Na D"));
    let solar_nm = (589.592 + 588.995) / 2.0;
    assert!((sodium.expect("sodium has a name").wavelength_nm - solar_nm).abs() < 0.001);
}
