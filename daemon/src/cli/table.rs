//! Small tables that people keep: CSV with a header, for wedges and strips.

use std::path::{Path, PathBuf};

use frameside_core::sensitometry::{Density, Lightness};

use super::Failure;

/// More is no table of a wedge or a strip.
const LONGEST: u64 = 1 << 20;

/// A table of numbers. Every error names the file, the line and the fix.
#[derive(Debug)]
pub(super) struct Table {
    path: PathBuf,
    columns: Vec<String>,
    rows: Vec<Row>,
}

#[derive(Debug)]
struct Row {
    line: usize,
    cells: Vec<f64>,
}

impl Table {
    /// Reads a table that may have the `known` columns, in any order. Empty
    /// lines, and lines that begin with `#`, are left out.
    pub(super) fn read(path: &Path, known: &[&str]) -> Result<Self, Failure> {
        let text = text_of(path)?;
        let mut lines = (1..)
            .zip(text.trim_start_matches('\u{feff}').lines())
            .filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
        let mut table = Self { path: path.to_owned(), columns: Vec::new(), rows: Vec::new() };
        let Some((line, header)) = lines.next() else {
            return Err(table.wrong(
                1,
                &format!("the file is empty; its first line names columns of {}", known.join(", ")),
            ));
        };
        for name in cells(header) {
            if !known.contains(&name) {
                let why =
                    format!("'{}' is not a column here; the columns are {}", shown(name), known.join(", "));
                return Err(table.wrong(line, &why));
            }
            if table.columns.iter().any(|column| column == name) {
                return Err(table.wrong(line, &format!("the column {name} comes twice; keep one of them")));
            }
            table.columns.push(name.to_owned());
        }
        for (line, text) in lines {
            let row = table.row(line, text)?;
            table.rows.push(row);
        }
        Ok(table)
    }

    fn row(&self, line: usize, text: &str) -> Result<Row, Failure> {
        let found = cells(text).count();
        if found != self.columns.len() {
            let why = format!(
                "{found} cells instead of {}; part them with commas and write decimals with a point",
                self.columns.len()
            );
            return Err(self.wrong(line, &why));
        }
        let number = |(name, cell): (&String, &str)| match cell.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(self.wrong(
                line,
                &format!("'{}' in column {name} is not a number; write it like 1.42", shown(cell)),
            )),
        };
        let cells = self.columns.iter().zip(cells(text)).map(number).collect::<Result<_, _>>()?;
        Ok(Row { line, cells })
    }

    /// The numbers of a column, `None` when the table has no such column.
    pub(super) fn column(&self, name: &str) -> Option<Vec<f64>> {
        let at = self.columns.iter().position(|column| column == name)?;
        Some(self.rows.iter().map(|row| row.cells[at]).collect())
    }

    /// What the prints show: the column `density`, or `lstar` as visual densities.
    pub(super) fn densities(&self) -> Result<Vec<Density>, Failure> {
        let densities = self.column("density").map(|all| all.into_iter().map(Density::new).collect());
        let from_lstar = |all: Vec<f64>| all.into_iter().map(|l| Density::from(Lightness::new(l))).collect();
        match (densities, self.column("lstar").map(from_lstar)) {
            (Some(densities), None) | (None, Some(densities)) => Ok(densities),
            (None, None) => {
                Err(self.wrong(1, "there is neither a column density nor lstar; add one of them"))
            }
            (Some(_), Some(_)) => Err(self.wrong(1, "there are both density and lstar; keep one of them")),
        }
    }

    /// A failure at a line of the file.
    pub(super) fn wrong(&self, line: usize, why: &str) -> Failure {
        Failure::Failed(format!("{}:{line}: {why}", self.path.display()))
    }

    /// A failure at a row, counted from 1; of the whole table without.
    pub(super) fn wrong_row(&self, row: Option<usize>, why: &str) -> Failure {
        let line = row.and_then(|row| self.rows.get(row - 1)).map_or(1, |row| row.line);
        self.wrong(line, why)
    }
}

fn text_of(path: &Path) -> Result<String, Failure> {
    let failed = |why: String| Failure::Failed(format!("{}: {why}", path.display()));
    let length = std::fs::metadata(path).map_err(|error| failed(error.to_string()))?.len();
    if length > LONGEST {
        return Err(failed("over 1 MiB; this is not a table of a wedge or a strip".to_owned()));
    }
    let bytes = std::fs::read(path).map_err(|error| failed(error.to_string()))?;
    String::from_utf8(bytes).map_err(|_| failed("not UTF-8 text; save the table as CSV in UTF-8".to_owned()))
}

fn cells(line: &str) -> impl Iterator<Item = &str> {
    line.split(',').map(|cell| cell.trim().trim_matches('"').trim())
}

/// What stands in the file, cut so that an error stays one line.
fn shown(text: &str) -> String {
    text.chars().take(40).flat_map(char::escape_default).collect()
}
