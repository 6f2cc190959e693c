//! `frameside export`

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde_json::{Value, json};

use super::{Context, Failure, out, out_json};
use crate::ledger::{self, Filter, Record};
use crate::listed::Listed;
use crate::table::{Column, Table};

/// Write the record out for other programs.
///
/// Prints have a row each, curves a row for each instant. JSON without --prints
/// and --curves is the whole record, which 'restore' reads.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside export --prints --out .
  frameside export --curves --format parquet --out export
  frameside export --format json --out export")]
pub(super) struct Args {
    /// Every print with its doses
    #[arg(long)]
    prints: bool,
    /// The dose curve of every print
    #[arg(long)]
    curves: bool,
    /// What to write
    #[arg(long, value_enum, default_value = "csv")]
    format: Format,
    /// Where the files go; made if it is not there
    #[arg(long, value_name = "DIR", default_value = ".")]
    out: PathBuf,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Csv,
    Json,
    #[cfg(feature = "parquet")]
    Parquet,
}

impl Format {
    const fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Json => "json",
            #[cfg(feature = "parquet")]
            Self::Parquet => "parquet",
        }
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    std::fs::create_dir_all(&args.out).map_err(|error| failed(&args.out, error))?;
    let everything = !args.prints && !args.curves;
    let mut files = Vec::new();
    if everything && args.format == Format::Json {
        let path = args.out.join("ledger.json");
        let mut file = create(&path)?;
        file.write_all(b"[").map_err(|error| failed(&path, error))?;
        ledger::write_json(&context.config()?.ledger.path, &mut file)?;
        file.flush().map_err(|error| failed(&path, error))?;
        files.push(path);
    } else {
        if args.prints || everything {
            let rows = record.prints(&Filter::default())?;
            let rows: Vec<Value> = rows.iter().rev().map(|row| json!(Listed::of(row, &zone))).collect();
            files.push(write(args, "prints", &prints(&rows))?);
        }
        if args.curves || everything {
            files.push(write(args, "curves", &curves(&record)?)?);
        }
    }
    if context.json {
        out_json(&json!({ "ok": true, "files": files }));
    } else {
        files.iter().for_each(|file| out(&format!("{}\n", file.display())));
    }
    Ok(())
}

fn failed(path: &Path, error: impl std::fmt::Display) -> Failure {
    Failure::Failed(format!("{}: {error}; choose another folder with --out", path.display()))
}

fn create(path: &Path) -> Result<BufWriter<File>, Failure> {
    File::create(path).map(BufWriter::new).map_err(|error| failed(path, error))
}

fn write(args: &Args, name: &str, table: &Table) -> Result<PathBuf, Failure> {
    let path = args.out.join(format!("{name}.{}", args.format.ending()));
    let file = create(&path)?;
    let written = match args.format {
        Format::Csv => table.write_csv(file).map_err(|error| error.to_string()),
        Format::Json => table.write_json(file).map_err(|error| error.to_string()),
        #[cfg(feature = "parquet")]
        Format::Parquet => table.write_parquet(file).map_err(|error| error.to_string()),
    };
    written.map(|()| path.clone()).map_err(|error| failed(&path, error))
}

/// The columns of a print that are numbers; the others are text.
const NUMBERS: [&str; 9] = [
    "target_j_m2",
    "dose_at_due_j_m2",
    "dose_j_m2",
    "low_j_m2",
    "high_j_m2",
    "seconds",
    "exponent",
    "reference_w_m2",
    "plain_dose_j_m2",
];
const TEXTS: [&str; 10] =
    ["print", "frame", "state", "begun", "due", "brought_in", "recipe", "negative", "source", "note"];

fn prints(rows: &[Value]) -> Table {
    let text = |name: &str| rows.iter().map(|row| row[name].as_str().map(str::to_owned)).collect();
    let number = |name: &str| rows.iter().map(|row| row[name].as_f64()).collect();
    let texts = TEXTS.map(|name| (name, Column::Text(text(name))));
    let numbers = NUMBERS.map(|name| (name, Column::Number(number(name))));
    Table(texts.into_iter().chain(numbers).collect())
}

fn curves(record: &Record) -> Result<Table, Failure> {
    let (mut print, mut seconds, mut w_m2, mut dose) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for row in record.prints(&Filter::default())?.iter().rev() {
        for (at, light, sum) in record.detail(&row.id)?.curve {
            print.push(Some(row.id.clone()));
            seconds.push(Some(at));
            w_m2.push(Some(light));
            dose.push(Some(sum));
        }
    }
    Ok(Table(vec![
        ("print", Column::Text(print)),
        ("seconds", Column::Number(seconds)),
        ("irradiance_w_m2", Column::Number(w_m2)),
        ("dose_j_m2", Column::Number(dose)),
    ]))
}
