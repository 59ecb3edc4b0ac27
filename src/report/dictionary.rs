//! The tables of the class, column by column: what each means, its unit, and when it is empty. Their headers, README.md's
//! dictionary and `datapackage.json` are made of this; those of single photos are in `src/publish/files/tables.rs`.

use crate::publish::files::schema::Kind::{Count, Number, Text};
use crate::publish::files::schema::{BENCH, CAPTURE, PHOTO, SESSION, VERDICT, WAVELENGTH_NM};
use crate::publish::files::schema::{Column, Schema, column as c};
use crate::publish::files::tables::{PEAKS, SPECTRUM};

/// Every table, those of single photos first.
pub static TABLES: [&Schema; 16] = [
    &SPECTRUM,
    &PEAKS,
    &QUALITY,
    &SPECTRA,
    &SPECTRA_WIDE,
    &SERIES,
    &CONCENTRATIONS,
    &CLASS,
    &COLOURS,
    &POWER,
    &TONE,
    &BRACKETS,
    &JOINED,
    &REFERENCES,
    &LATE,
    &INSTRUMENTS,
];

const SIGMA: &str = "its standard uncertainty";
const NO_LINE: &str = "where there is no line";
const NO_LIMIT: &str = "where there is no line, or fewer than six such photos";
const NO_EDGE: &str = "where there is no edge";
const NO_NUMBER: &str = "where there is no number";
const NO_REFUSAL: &str = "where nothing was refused";
const WHY_NOT: &str = "why there is no number: a code that stays, and words";
const NO_PHOTO: &str = "where no photo has the name";

/// What a photo shows.
const LABEL: Column = c(
    "label",
    "",
    Text,
    "what it shows, by its name, its slate or the instructor",
    "where nothing says so",
);

/// `quality.csv`, up to the metrics, which are described where they are listed (`src/terms/quantity.rs`).
#[rustfmt::skip]
pub static QUALITY: Schema = Schema {
    file: "quality.csv",
    about: "A row a photo, whatever its fate. The first twelve columns, the metrics of every class, what the photo was made from, then \
            further metrics and the rules' named groups, both by name.",
    columns: &[
        PHOTO,
        c("bench", "", Text, "the bench", "where no rule names one"),
        CAPTURE,
        c("rule", "", Text, "the rule that took it", "where none did"),
        LABEL,
        c("lamp", "", Text, "the lamp that a calibration's rule states", "where none is stated"),
        c("taken", "", Text, "when it was taken, by the phone's own clock: ISO 8601, local time", "where the file does not say"),
        VERDICT,
        c("reasons", "", Text, "codes of the reasons for the verdict, worst first, with semicolons between them", "where there is none"),
        c("measured", "", Text, "what each reason was decided by", "where there is no reason"),
        c("limits", "", Text, "the limit of each", "where there is no reason, or none with a limit"),
        c("advice", "", Text, "what to do about it", "where there is nothing to do"),
    ],
};

/// What stands in `quality.csv` behind the metrics that every class has.
#[rustfmt::skip]
pub static QUALITY_AFTER: [Column; 21] = [
    c("order_side", "", Text, "where the measured order lies: left, right, above or below the slit's image", "where none was measured"),
    c("calibration_photo", "", Text, "the lamp photo that its scale comes from; of a lamp photo, itself", "where it has no scale from a lamp's lines"),
    c("scale", "", Text, "calibrated (from a lamp photo's lines) or provisional (from the phone's stated focal length)", "where it has no scale"),
    c("lines_used", "", Count, "lamp lines that the scale rests on", "where it has no scale from a lamp's lines"),
    c("rms_nm", "nm", Number, "root mean square of their residuals", "where it has no scale from a lamp's lines"),
    c("not_measured", "", Text, "what could not be measured, and why", "where everything was"),
    c("remarks", "", Text, "what else is to be known", "where there is nothing"),
    c("photo_hash", "", Text, "BLAKE3 of the photo's bytes, hexadecimal", "where it could not be read"),
    c("calibration_hash", "", Text, "the same of the lamp photo that it was made from", "where there is none"),
    c("blank", "", Text, "the blank it was compared with", "where none applies"),
    c("dark", "", Text, "the dark photos that were looked at with it", "where none applies"),
    c("configuration_hash", "", Text, "which configuration it was made by", ""),
    c("version", "", Text, "which version of the program made it", ""),
    c("phone", "", Text, "the phone that took it: its model, and a code made from a hash", "where the file does not say"),
    c("looks", "", Text, "what it looks like", "where nobody had to look"),
    c("decided_by", "", Text, "who decided something about it in the instructor's table; decided says what, and capture_by is person where \
       that was its capture or that it is left alone", "where nobody did"),
    c("decided", "", Text, "what was decided so", "where nobody did"),
    c("settled_by", "", Text, "the photo by which it was taken again", "where it was not"),
    SESSION,
    c("capture_by", "", Text, "what its capture, or that it is left alone, was decided by: person (the instructor's table), rule (one that leaves it \
       alone), slate (the one that governs it, or the one that it is), name (a rule, by name and header) or looks", "where another file is measured in its place"),
    c("slate", "", Text, "the slate that governs it, by its path below the inbox; the one of what comes next with the one of the bench where two do", "where none does"),
];

/// `spectra.csv`: these, then those of `spectrum.csv`, then [`SPECTRA_AFTER`].
#[rustfmt::skip]
pub static SPECTRA: Schema = Schema {
    file: "spectra.csv",
    about: "Every usable calibrated spectrum, a row a photo and wavelength: photos called good or caution; with `all_spectra: true` \
            under `tables:` in the configuration, all of them. These columns, those of spectrum.csv, then verdict and session.",
    columns: &[
        BENCH,
        PHOTO,
        LABEL,
        CAPTURE,
    ],
};

/// The last columns of `spectra.csv`.
pub static SPECTRA_AFTER: [Column; 2] = [VERDICT, SESSION];

/// `spectra_wide.csv`, whose further columns are the bench's photos.
pub static SPECTRA_WIDE: Schema = Schema {
    file: "spectra_wide.csv",
    about: "A bench's usable spectra beside each other, for spreadsheets: a row a wavelength, and a column a photo with its signal. \
            Absent where the bench has none.",
    columns: &[WAVELENGTH_NM],
};

/// `series.csv`.
#[rustfmt::skip]
pub static SERIES: Schema = Schema {
    file: "series.csv",
    about: "Dilution series, a row each, or one for each unknown where a series has several. Concentrations are in the series' own unit.",
    columns: &[
        BENCH,
        c("series", "", Text, "the series' name", ""),
        c("unit", "", Text, "the unit of its concentrations", "where none is stated"),
        c("wavelength_nm", "nm", Number, "where its absorbances are read", "where no wavelength serves"),
        c("standards", "", Count, "photos of solutions of known concentration", ""),
        c("slope", "", Number, "absorbance per unit of concentration", NO_LINE),
        c("slope_sigma", "", Number, SIGMA, NO_LINE),
        c("intercept", "", Number, "absorbance at concentration 0", NO_LINE),
        c("intercept_sigma", "", Number, SIGMA, NO_LINE),
        c("scatter", "", Number, "root of chi squared per degree of freedom: about 1 where the uncertainties are right", NO_LINE),
        c("linear_from", "", Number, "lowest concentration of the linear range", NO_LINE),
        c("linear_to", "", Number, "highest concentration of the linear range", NO_LINE),
        c("left_out", "", Count, "standards left out above it", NO_LINE),
        c("detection_limit", "", Number, "limit of detection, by the uncertainty of the lowest standard", NO_LINE),
        c("detection_limit_sigma", "", Number, SIGMA, NO_LINE),
        c("quantification_limit", "", Number, "limit of quantification, likewise", NO_LINE),
        c("quantification_limit_sigma", "", Number, SIGMA, NO_LINE),
        c("unknown_name", "", Text, "which unknown", "where the series has none"),
        c("unknown", "", Number, "its concentration", NO_NUMBER),
        c("unknown_sigma", "", Number, SIGMA, NO_NUMBER),
        c("low_95", "", Number, "lower end of its 95 % interval", NO_NUMBER),
        c("high_95", "", Number, "upper end of its 95 % interval", NO_NUMBER),
        c("refused", "", Text, WHY_NOT, NO_REFUSAL),
        c("blanks", "", Count, "photos of its blank that agree, taken one after the other at one exposure", ""),
        c("blank_sd", "", Number, "standard deviation of their absorbances", NO_LIMIT),
        c("blank_sd_sigma", "", Number, SIGMA, NO_LIMIT),
        c("blank_detection_limit", "", Number, "limit of detection by them: three such standard deviations over the slope", NO_LIMIT),
        c("blank_detection_limit_sigma", "", Number, SIGMA, NO_LIMIT),
        c("blank_quantification_limit", "", Number, "limit of quantification by them: ten", NO_LIMIT),
        c("blank_quantification_limit_sigma", "", Number, SIGMA, NO_LIMIT),
        c("blank_refused", "", Text, "why there is no limit by them: a code that stays, and words", NO_REFUSAL),
        SESSION,
    ],
};

/// `concentrations.csv`.
#[rustfmt::skip]
pub static CONCENTRATIONS: Schema = Schema {
    file: "concentrations.csv",
    about: "A row a photo of a series, and one a file that the table of concentrations names and no photo is.",
    columns: &[
        c("bench", "", Text, "the bench", NO_PHOTO),
        c("series", "", Text, "the series' name", NO_PHOTO),
        PHOTO,
        c("role", "", Text, "standard, unknown, or unclear", NO_PHOTO),
        c("stated_concentration", "", Text, "what is stated of it, in the series' unit", "where nothing is"),
        c("unit", "", Text, "the unit of its concentrations", "where none is stated"),
        c("wavelength_nm", "nm", Number, "where its absorbance is read", "where no wavelength serves"),
        c("absorbance", "", Number, "its absorbance there", "where it means nothing"),
        c("absorbance_sigma", "", Number, SIGMA, "where it means nothing"),
        c("residual", "", Number, "its absorbance less the line's", "where it is no standard or there is no line"),
        c("concentration", "", Number, "an unknown's concentration", NO_NUMBER),
        c("concentration_sigma", "", Number, SIGMA, NO_NUMBER),
        c("low_95", "", Number, "lower end of its 95 % interval", NO_NUMBER),
        c("high_95", "", Number, "upper end of its 95 % interval", NO_NUMBER),
        c("refused", "", Text, WHY_NOT, NO_REFUSAL),
        c("joined", "", Count, "how many exposures of a bracket its spectrum is joined of; the photo is the longest of them", "where its spectrum is one photo's"),
        CAPTURE,
        c("verdict", "", Text, "the photo's verdict", NO_PHOTO),
        SESSION,
    ],
};

/// `class.csv`.
#[rustfmt::skip]
pub static CLASS: Schema = Schema {
    file: "class.csv",
    about: "How well the benches agree (ISO 5725-2), a row a quantity and bench; the last seven columns are the class's.",
    columns: &[
        c("quantity", "", Text, "what was measured on several benches", ""),
        c("unit", "", Text, "its unit", "where it has none, or none is stated"),
        BENCH,
        c("repeats", "", Count, "the bench's results", ""),
        c("mean", "", Number, "their mean, in the quantity's unit", ""),
        c("sd", "", Number, "their standard deviation", "for one result"),
        c("mandel_h", "", Number, "deviation of the bench's mean from the class's, in standard deviations of the means", "below three benches"),
        c("mandel_k", "", Number, "the bench's scatter over the class's", "for one result"),
        c("word", "", Text, "agrees, straggler (beyond the 5 % value) or outlier (beyond the 1 % value)", ""),
        c("by", "", Text, "which statistic said so: h (Grubbs's test) or k (Cochran's)", "where it agrees"),
        c("class_mean", "", Number, "mean over all results", ""),
        c("repeatability_sd", "", Number, "standard deviation of one bench's repeats", "where no bench has two"),
        c("between_sd", "", Number, "standard deviation between benches", "where no bench has two"),
        c("reproducibility_sd", "", Number, "standard deviation of one result by any bench", ""),
        c("cochran_c", "", Number, "Cochran's C of the bench that scatters most", "where the benches have not equal numbers of repeats"),
        c("cochran_critical_5", "", Number, "its 5 % value", "where the benches have not equal numbers of repeats"),
        SESSION,
    ],
};

/// `colours.csv`.
#[rustfmt::skip]
pub static COLOURS: Schema = Schema {
    file: "colours.csv",
    about: "Colours of lamps, a row a lamp photo, where the bench has photographed a bulb of stated temperature.",
    columns: &[
        BENCH,
        PHOTO,
        c("bulb", "", Text, "the photo of the bulb by which the phone's response is undone", "where there is none"),
        c("bulb_kelvin", "K", Number, "the bulb's stated temperature", "where there is none"),
        c("x", "", Number, "chromaticity x (CIE 1931)", NO_NUMBER),
        c("x_sigma", "", Number, SIGMA, NO_NUMBER),
        c("y", "", Number, "chromaticity y (CIE 1931)", NO_NUMBER),
        c("y_sigma", "", Number, SIGMA, NO_NUMBER),
        c("cct_kelvin", "K", Number, "correlated colour temperature", "where the light is too far from white"),
        c("cct_kelvin_sigma", "K", Number, SIGMA, "where the light is too far from white"),
        c("duv", "", Number, "distance from the black body's line, positive above it", "where the light is too far from white"),
        c("duv_sigma", "", Number, SIGMA, "where the light is too far from white"),
        c("dominant_nm", "nm", Number, "dominant wavelength", "where it means nothing"),
        c("dominant_nm_sigma", "nm", Number, SIGMA, "where it means nothing"),
        c("purity", "", Number, "excitation purity, 0 to 1", "where it means nothing"),
        c("purity_sigma", "", Number, SIGMA, "where it means nothing"),
        c("refused", "", Text, WHY_NOT, NO_REFUSAL),
        c("edge", "", Text, "which side of a filter's edge passes: cut-on (the longer wavelengths) or cut-off", NO_EDGE),
        c("edge_nm", "nm", Number, "where its light, a continuum, falls to half of what it would be without the filter", NO_EDGE),
        c("edge_nm_sigma", "nm", Number, SIGMA, NO_EDGE),
        c("edge_width_nm", "nm", Number, "from a tenth to nine tenths of that", NO_EDGE),
        c("edge_refused", "", Text, "why there is no edge: a code that stays, and words", NO_REFUSAL),
        CAPTURE,
        VERDICT,
        SESSION,
    ],
};

/// `power.csv`.
#[rustfmt::skip]
pub static POWER: Schema = Schema {
    file: "power.csv",
    about: "Relative spectral power of lamps, a row a lamp photo and 5 nm, where the bench has photographed a bulb of stated temperature.",
    columns: &[
        BENCH,
        PHOTO,
        WAVELENGTH_NM,
        c("relative_power", "", Number, "power per wavelength over the photo's highest", ""),
        c("relative_power_sigma", "", Number, SIGMA, ""),
        CAPTURE,
        VERDICT,
        SESSION,
    ],
};

/// `tone.csv`.
#[rustfmt::skip]
pub static TONE: Schema = Schema {
    file: "tone.csv",
    about: "What a phone's codes mean in light by its bracket and by sRGB, a row a code, or one with the reason why there is no curve.",
    columns: &[
        BENCH,
        c("code", "", Count, "code of the picture, 0 to 255", NO_NUMBER),
        c("srgb_light", "", Number, "its light by sRGB, share of full scale", NO_NUMBER),
        c("light", "", Number, "its light by the bracket, share of full scale", NO_NUMBER),
        c("light_sigma", "", Number, SIGMA, NO_NUMBER),
        c("refused", "", Text, "why there is no curve: a code that stays, and words", NO_REFUSAL),
        SESSION,
    ],
};

/// `brackets.csv`.
#[rustfmt::skip]
pub static BRACKETS: Schema = Schema {
    file: "brackets.csv",
    about: "The exposures of each bracket, a row each, with their ratios to the longest.",
    columns: &[
        BENCH,
        c("scene", "", Text, "which bracket, by the rule's named group", "where the bench has one"),
        PHOTO,
        c("exposure_s_iso100", "s", Number, "exposure time times ISO over 100", ""),
        c("written_ratio", "", Number, "exposure over the longest, as the phone wrote it", "where they are not joined"),
        c("ratio", "", Number, "the same by the light itself", "where they are not joined"),
        c("ratio_sigma", "", Number, SIGMA, "where they are not joined"),
        c("refused", "", Text, "why they are not joined, or why the ratio is the written one", NO_REFUSAL),
        CAPTURE,
        VERDICT,
        SESSION,
    ],
};

/// `joined.csv`.
#[rustfmt::skip]
pub static JOINED: Schema = Schema {
    file: "joined.csv",
    about: "The exposures of a bracket joined to one spectrum, a row a wavelength.",
    columns: &[
        BENCH,
        c("scene", "", Text, "which bracket, by the rule's named group", "where the bench has one"),
        WAVELENGTH_NM,
        c("signal", "", Number, "what the longest exposure would show if nothing were blown out, linear share of its full scale", ""),
        c("signal_sigma", "", Number, SIGMA, ""),
        c("shots", "", Count, "exposures that it rests on", ""),
        c("absorbance", "", Number, "its absorbance beside the bench's blank", "where no blank applies or it means nothing"),
        c("absorbance_sigma", "", Number, SIGMA, "where no blank applies or it means nothing"),
        SESSION,
    ],
};

/// `references.csv`.
#[rustfmt::skip]
pub static REFERENCES: Schema = Schema {
    file: "references.csv",
    about: "Constants and methods behind the numbers, with their sources.",
    columns: &[
        c("used_for", "", Text, "what it is used for", ""),
        c("source", "", Text, "where it is from", ""),
    ],
};

/// `late.csv`.
#[rustfmt::skip]
pub static LATE: Schema = Schema {
    file: "late.csv",
    about: "Photos that came for a closed session, or are others than when it was closed; nothing is made of them. Where there are sessions.",
    columns: &[
        PHOTO,
        c("session", "", Text, "the closed session", ""),
        c("taken", "", Text, "when it was taken, by the phone's own clock", "where the file does not say"),
        c("late", "", Text, "new, or changed", ""),
        c("photo_hash", "", Text, "BLAKE3 of its bytes, hexadecimal", "where it could not be read"),
    ],
};

const NO_SCALE: &str = "where no usable lamp photo of the session has a scale";
const NO_RISE: &str = "for fewer than three sessions of one build with the number";

/// `instruments.csv`.
#[rustfmt::skip]
pub static INSTRUMENTS: Schema = Schema {
    file: "instruments.csv",
    about: "Each bench's instrument from session to session, a row a bench and session. Where there are sessions. Whether it was rebuilt, or \
            gets worse, is said from three standard uncertainties on.",
    columns: &[
        BENCH,
        c("session", "", Text, "the session", ""),
        c("from", "", Text, "when the bench's first photo of the session was taken, by the phone's own clock", "where no file says"),
        c("photos", "", Count, "photos of the bench in the session, ignored files left out", ""),
        c("lamp_photo", "", Text, "its last usable lamp photo with a scale, by path below the inbox", NO_SCALE),
        c("slit_width_um", "µm", Number, "width of the slit, from all the session's photos of the last build", "where none shows it"),
        c("slit_width_um_sigma", "µm", Number, SIGMA, NO_NUMBER),
        c("slit_image_px", "px", Number, "width of the slit's own image at half height, the middle one of the lamp photos of the last build", NO_SCALE),
        c("slit_image_px_sigma", "px", Number, "by how much it may differ from session to session by chance", NO_NUMBER),
        c("tilt_deg", "°", Number, "grating against the sensor, the middle one of the usable photos, without its sign", "where none shows it"),
        c("tilt_deg_sigma", "°", Number, SIGMA, NO_NUMBER),
        c("wavelength_sigma_nm", "nm", Number, "standard uncertainty of the lamp photo's scale", NO_SCALE),
        c("nm_per_px", "nm/px", Number, "the lamp photo's sampling", NO_SCALE),
        c("bandpass_nm", "nm", Number, "the lamp photo's bandpass", NO_SCALE),
        c("bandpass_nm_sigma", "nm", Number, SIGMA, NO_NUMBER),
        c("build", "", Count, "which build of the instrument it is at the session's end, counted from 1 over all sessions", ""),
        c("rebuilt", "", Text, "yes: something has changed by its end since the session before; no: nothing that the uncertainties bear", "where there is nothing to compare with"),
        c("changed", "", Text, "what has changed, in words", "where nothing has"),
        c("slit_um_per_session", "µm", Number, "by how much the slit gets wider a session, since the instrument was built so, by the lamp photos alone and with what differs by chance only", NO_RISE),
        c("slit_um_per_session_sigma", "µm", Number, SIGMA, NO_RISE),
        c("slit_image_px_per_session", "px", Number, "the same of the slit's own image", NO_RISE),
        c("slit_image_px_per_session_sigma", "px", Number, SIGMA, NO_RISE),
        c("tilt_deg_per_session", "°", Number, "the same of the tilt", NO_RISE),
        c("tilt_deg_per_session_sigma", "°", Number, SIGMA, NO_RISE),
        c("bandpass_nm_per_session", "nm", Number, "the same of the bandpass", NO_RISE),
        c("bandpass_nm_per_session_sigma", "nm", Number, SIGMA, NO_RISE),
        c("worse", "", Text, "columns of the numbers that get worse, by three standard uncertainties of their rise", "where none does"),
    ],
};
