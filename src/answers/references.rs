//! The list of constants and methods behind the published numbers, with their sources, for a marker's questions.

/// What it is used for, and the source.
pub const REFERENCES: [(&str, &str); 17] = [
    (
        "wavelengths of lamp lines, in standard air",
        "Sansonetti and Martin, Handbook of Basic Atomic Spectroscopic Data, NIST SRD 108; ISO 7944 where marked so in the tables",
    ),
    (
        "groove spacing 1600 nm and 740 nm, held in the fit",
        "ECMA-130 (track pitch 1.6 µm); ECMA-267 10.6.2 (0.74 µm)",
    ),
    (
        "codes to linear light",
        "IEC 61966-2-1 (sRGB), unless a bracket shows the phone's own curve",
    ),
    (
        "tone curve from a bracket",
        "Debevec and Malik, SIGGRAPH 1997",
    ),
    ("uncertainties", "JCGM 100:2008 (GUM)"),
    (
        "absorbance",
        "minus the decimal logarithm of the transmittance, IUPAC Gold Book",
    ),
    (
        "line through a dilution series, linear range",
        "weighted least squares; ISO 8466-1:1990, 4.1.3 (Mandel's test at 99 %)",
    ),
    (
        "limit of detection",
        "IUPAC Gold Book, limit of detection: three standard deviations",
    ),
    (
        "limit of quantification",
        "Currie, Pure and Applied Chemistry 67 (1995) 1699: ten standard deviations",
    ),
    (
        "limits from repeated blanks",
        "the same multiples of the standard deviation of six blanks or more, over the slope; its uncertainty by JCGM 100, E.4.3",
    ),
    (
        "mean of repeated blanks",
        "weights 1/sigma^2, JCGM 100, 5.1.2; the scatter of their levels counts where it is larger than stated",
    ),
    (
        "repeatability, reproducibility, Mandel's h and k, Cochran's and Grubbs's tests",
        "ISO 5725-2:1994",
    ),
    (
        "colour-matching functions, chromaticity",
        "CIE 015:2018, CIE 1931 observer, 5 nm",
    ),
    (
        "second radiation constant 0.01438776877 m K",
        "CODATA 2018, exact",
    ),
    (
        "correlated colour temperature",
        "nearest point of the Planckian locus on the CIE 1960 diagram, CIE 015:2018",
    ),
    (
        "edge of a filter in a continuum",
        "half height; the continuum continued by Wien's law from the side that passes (common practice, no source)",
    ),
    (
        "spectra for other programs",
        "JCAMP-DX 4.24, McDonald and Wilks, Applied Spectroscopy 42 (1988) 151",
    ),
];

#[cfg(test)]
mod tests {
    #[test]
    fn every_entry_names_its_use_and_its_source() {
        for (what, source) in super::REFERENCES {
            assert!(what.len() > 8 && source.len() > 12, "{what}: {source}");
        }
    }
}
