//! `datapackage.json`: which tables lie beside it and what their columns mean, for programs. A Data Package of version 1, an
//! open standard: <https://specs.frictionlessdata.io/data-package/> and <https://specs.frictionlessdata.io/table-schema/>.

use serde::Serialize;

use crate::publish::files::schema::{Column, Schema};
use crate::publish::files::tables::{PEAKS, SPECTRUM};

/// Name of the file that describes the tables beside it.
pub const FILE: &str = "datapackage.json";

/// The tables beside it, as they are written.
#[derive(Serialize)]
pub struct Package {
    profile: &'static str,
    name: &'static str,
    title: String,
    description: &'static str,
    resources: Vec<Resource>,
    /// Tables of which there is one in every photo's folder: a further property, as the standard allows.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    photo_tables: Vec<Resource>,
}

#[derive(Serialize)]
struct Resource {
    #[serde(skip_serializing_if = "String::is_empty")]
    name: String,
    path: String,
    profile: &'static str,
    description: String,
    format: &'static str,
    mediatype: &'static str,
    encoding: &'static str,
    schema: Fields,
}

#[derive(Serialize)]
struct Fields {
    fields: Vec<Field>,
}

#[derive(Serialize)]
struct Field {
    name: String,
    r#type: &'static str,
    description: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    unit: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    constraints: Option<Constraints>,
}

/// For columns that are never empty.
#[derive(Serialize)]
struct Constraints {
    required: bool,
}

impl Package {
    /// An empty one; `title` names the class.
    pub fn new(title: &str) -> Package {
        Package {
            profile: "tabular-data-package",
            name: "results",
            title: title.to_owned(),
            description: "Calibrated spectra and verdicts of photos taken through spectroscopes. Wavelengths are in nm in \
                          air; what could not be measured is an empty cell.",
            resources: Vec::new(),
            photo_tables: Vec::new(),
        }
    }

    /// Says what stands in every photo's folder.
    pub fn with_photo_tables(mut self) -> Package {
        for schema in [&SPECTRUM, &PEAKS] {
            let path = format!("<bench>/<photo>/{}", schema.file);
            let columns = schema.columns.iter();
            self.photo_tables
                .push(resource(String::new(), path, schema, columns));
        }
        self
    }

    /// Adds a table that lies in a folder (with `/` at its end; empty for beside it) and has these columns.
    ///
    /// Left out is what the standard has no words for: paths that begin with a dot or `~`, or have two dots in them.
    pub fn add<'c>(
        &mut self,
        folder: &str,
        schema: &Schema,
        columns: impl IntoIterator<Item = &'c Column>,
    ) {
        let path = format!("{folder}{}", schema.file);
        if path.starts_with(['.', '/', '~']) || path.contains("..") {
            return;
        }
        let stem = path.strip_suffix(".csv").unwrap_or(&path);
        let name: String = stem.to_lowercase().chars().map(as_in_names).collect();
        let is_taken = |name: &str| self.resources.iter().any(|r| r.name == name);
        let mut n = 1;
        let mut unlike = name.clone();
        while is_taken(&unlike) {
            n += 1;
            unlike = format!("{name}-{n}");
        }
        self.resources.push(resource(unlike, path, schema, columns));
    }

    /// The file's text.
    pub fn json(&self) -> Vec<u8> {
        let mut bytes = serde_json::to_vec_pretty(self).expect("only named fields");
        bytes.push(b'\n');
        bytes
    }
}

/// What may stand in a resource's name (Data Resource, "name").
fn as_in_names(c: char) -> char {
    match c {
        'a'..='z' | '0'..='9' | '.' | '_' | '/' => c,
        _ => '-',
    }
}

fn resource<'c>(
    name: String,
    path: String,
    schema: &Schema,
    columns: impl IntoIterator<Item = &'c Column>,
) -> Resource {
    let field = |column: &Column| Field {
        name: column.name().to_owned(),
        r#type: column.kind().word(),
        description: column.described(),
        unit: column.unit().to_owned(),
        constraints: column
            .empty()
            .is_empty()
            .then_some(Constraints { required: true }),
    };
    Resource {
        name,
        path,
        profile: "tabular-data-resource",
        description: schema.about.to_owned(),
        format: "csv",
        mediatype: "text/csv",
        encoding: "utf-8",
        schema: Fields {
            fields: columns.into_iter().map(field).collect(),
        },
    }
}
