//! What people measured, as they write it down: small CSV tables with a header, of step
//! wedges, test strips, spectra and the places of a lamp box.
//!
//! Columns come in any order. Empty lines, and lines that begin with `#`, are left out.

use frameside_core::quantity::{Dose, Irradiance};
use frameside_core::sensitometry::{
    Band, CharacteristicCurve, Density, Lightness, StripError, StripReading, WedgeError, WedgeStep,
    read_densities,
};
use frameside_core::source::{PlaceReading, Spectrum, SpectrumError};

/// A larger file is no such table, in bytes.
pub const LARGEST: u64 = 1 << 20;

/// What is wrong with a table, and where. Prints the line, counted from 1, and the fix.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{line}: {mistake}")]
pub struct TableError {
    /// The line of the file, counted from 1.
    pub line: usize,
    /// What is wrong there.
    pub mistake: Mistake,
}

/// What is wrong with a line of a table.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Mistake {
    /// More than [`LARGEST`].
    #[error("over 1 MiB; this is no table of measurements")]
    TooLarge,
    /// Not text.
    #[error("not UTF-8 text; save the table as CSV in UTF-8")]
    NotText,
    /// No line at all.
    #[error("the file is empty; its first line names columns of {0}")]
    Empty(String),
    /// A column that means nothing here.
    #[error("'{name}' is not a column here; the columns are {known}")]
    Column {
        /// What the header says.
        name: String,
        /// Those there are.
        known: String,
    },
    /// A column that the header names twice.
    #[error("the column {0} comes twice; keep one of them")]
    Twice(String),
    /// A row as long as no other.
    #[error("{found} cells instead of {wanted}; part them with commas and write decimals with a point")]
    Cells {
        /// As many as the row has.
        found: usize,
        /// As many as the header names.
        wanted: usize,
    },
    /// Not a number.
    #[error("'{cell}' in column {column} is not a number; write it like 1.42")]
    Number {
        /// What stands there.
        cell: String,
        /// Its column.
        column: String,
    },
    /// No lightness of a print.
    #[error("L* {0} is darker than any print, and looks like a density; then name the column density")]
    TooDark(f64),
    /// Neither of two columns.
    #[error("there is neither a column {0} nor {1}; add one of them")]
    Neither(&'static str, &'static str),
    /// Two columns for one thing.
    #[error("there are both {0} and {1}; keep one of them")]
    Both(&'static str, &'static str),
    /// Nothing tells the wedge's own densities.
    #[error("there is no column wedge_density; add it, or give --increment 0.15 --first 0.05")]
    NoWedge,
    /// The wedge's own densities are told twice.
    #[error("wedge_density is in the table already; leave --increment out")]
    WedgeTwice,
    /// Columns of a spectrum are missing.
    #[error("a spectrum has the columns wavelength_nm and value")]
    NoSpectrum,
    /// Columns of a lamp box's places are missing.
    #[error("the columns x_cm, y_cm and irradiance_w_m2 are needed")]
    NoPlaces,
    /// No wedge gives this.
    #[error(transparent)]
    Wedge(#[from] WedgeError),
    /// No strip gives this.
    #[error(transparent)]
    Strip(#[from] StripError),
    /// No light has this.
    #[error(transparent)]
    Spectrum(#[from] SpectrumError),
}

impl Mistake {
    const fn at(self, line: usize) -> TableError {
        TableError { line, mistake: self }
    }
}

/// Densities of a wedge that rise evenly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EvenWedge {
    /// At the first row.
    pub first: f64,
    /// From step to step.
    pub increment: f64,
}

/// A printed step wedge: its steps and their curve, where bare paper received `dose`. A
/// table without the column `wedge_density` needs an `even` wedge.
///
/// # Errors
/// [`TableError`] with the line that is wrong.
pub fn wedge(
    bytes: &[u8],
    even: Option<EvenWedge>,
    dose: Dose,
) -> Result<(Vec<WedgeStep>, CharacteristicCurve), TableError> {
    let table = Table::read(bytes, &["step", "wedge_density", "density", "lstar", "spread"])?;
    let prints = table.densities()?;
    let wedge = match (table.column("wedge_density"), even) {
        (Some(densities), None) => densities,
        (None, Some(EvenWedge { first, increment })) => match table.column("step") {
            Some(steps) => steps.iter().map(|step| first + increment * (step - steps[0])).collect(),
            None => (0..prints.len()).map(|i| first + increment * i as f64).collect(),
        },
        (None, None) => return Err(Mistake::NoWedge.at(1)),
        (Some(_), Some(_)) => return Err(Mistake::WedgeTwice.at(1)),
    };
    let step = |(wedge, print)| WedgeStep { wedge: Density::new(wedge), print };
    let steps: Vec<WedgeStep> = wedge.into_iter().zip(prints).map(step).collect();
    match CharacteristicCurve::new(dose, &steps) {
        Ok(curve) => Ok((steps, curve)),
        Err(error) => Err(table.at_row(error.step(), error)),
    }
}

/// The bands of a test strip, and what it says.
///
/// # Errors
/// [`TableError`] with the line that is wrong.
pub fn strip(bytes: &[u8]) -> Result<(Vec<Band>, StripReading), TableError> {
    let table = Table::read(bytes, &["band", "dose_j_m2", "dose_kj_m2", "density", "lstar"])?;
    let in_kj = table.column("dose_kj_m2").map(|all| all.iter().map(|kj| kj * 1000.0).collect());
    let doses: Vec<f64> = one_of(("dose_j_m2", table.column("dose_j_m2")), ("dose_kj_m2", in_kj))?;
    let band = |(j_m2, density)| Band { dose: Dose::from_j_m2(j_m2), density };
    let bands: Vec<Band> = doses.into_iter().zip(table.densities()?).map(band).collect();
    let reading = read_densities(&bands).map_err(|error| table.at_row(error.band(), error))?;
    Ok((bands, reading))
}

/// A spectrum.
///
/// # Errors
/// [`TableError`] with the line that is wrong.
pub fn spectrum(bytes: &[u8]) -> Result<Spectrum, TableError> {
    let table = Table::read(bytes, &["wavelength_nm", "value"])?;
    let (Some(nm), Some(values)) = (table.column("wavelength_nm"), table.column("value")) else {
        return Err(Mistake::NoSpectrum.at(1));
    };
    Spectrum::new(nm.into_iter().zip(values).collect()).map_err(|error| table.at_row(error.point(), error))
}

/// The light at the places of a lamp box.
///
/// # Errors
/// [`TableError`] with the line that is wrong.
pub fn places(bytes: &[u8]) -> Result<Vec<PlaceReading>, TableError> {
    let columns = ["x_cm", "y_cm", "irradiance_w_m2"];
    let table = Table::read(bytes, &columns)?;
    let [Some(x), Some(y), Some(light)] = columns.map(|name| table.column(name)) else {
        return Err(Mistake::NoPlaces.at(1));
    };
    let place = |((x, y), w_m2): ((f64, f64), f64)| PlaceReading {
        x: x / 100.0,
        y: y / 100.0,
        irradiance: Irradiance::from_w_m2(w_m2),
    };
    Ok(x.into_iter().zip(y).zip(light).map(place).collect())
}

/// A table of numbers.
struct Table<'a> {
    columns: Vec<&'a str>,
    rows: Vec<Row>,
}

struct Row {
    line: usize,
    cells: Vec<f64>,
}

impl<'a> Table<'a> {
    /// A table that may have the `known` columns.
    fn read(bytes: &'a [u8], known: &[&str]) -> Result<Self, TableError> {
        if bytes.len() as u64 > LARGEST {
            return Err(Mistake::TooLarge.at(1));
        }
        let text = std::str::from_utf8(bytes).map_err(|error| {
            let line = 1 + bytes[..error.valid_up_to()].iter().filter(|&&byte| byte == b'\n').count();
            Mistake::NotText.at(line)
        })?;
        let mut lines = (1..)
            .zip(text.trim_start_matches('\u{feff}').lines())
            .filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
        let (line, header) = lines.next().ok_or_else(|| Mistake::Empty(known.join(", ")).at(1))?;
        let mut columns = Vec::new();
        for name in cells(header) {
            if !known.contains(&name) {
                return Err(Mistake::Column { name: shown(name), known: known.join(", ") }.at(line));
            }
            if columns.contains(&name) {
                return Err(Mistake::Twice(name.to_owned()).at(line));
            }
            columns.push(name);
        }
        let row = |(line, text)| match row(&columns, text) {
            Ok(cells) => Ok(Row { line, cells }),
            Err(mistake) => Err(mistake.at(line)),
        };
        let rows = lines.map(row).collect::<Result<_, _>>()?;
        Ok(Self { columns, rows })
    }

    /// The numbers of a column, `None` when the table has no such column.
    fn column(&self, name: &str) -> Option<Vec<f64>> {
        let at = self.columns.iter().position(|column| *column == name)?;
        Some(self.rows.iter().map(|row| row.cells[at]).collect())
    }

    /// What the prints show: the column `density`, or `lstar` as visual densities.
    fn densities(&self) -> Result<Vec<Density>, TableError> {
        let densities = self.column("density").map(|all| all.into_iter().map(Density::new).collect());
        let lstar = self.column("lstar");
        let is_too_dark = |l: &f64| *l < Lightness::DARKEST_PRINT;
        if let Some((row, &l)) = (1..).zip(lstar.iter().flatten()).find(|(_, l)| is_too_dark(l)) {
            return Err(self.at_row(Some(row), Mistake::TooDark(l)));
        }
        let from_lstar = |all: Vec<f64>| all.into_iter().map(|l| Density::from(Lightness::new(l))).collect();
        one_of(("density", densities), ("lstar", lstar.map(from_lstar)))
    }

    /// A mistake in a row, counted from 1; in the table as a whole without.
    fn at_row(&self, row: Option<usize>, mistake: impl Into<Mistake>) -> TableError {
        let row = row.and_then(|row| self.rows.get(row.checked_sub(1)?));
        mistake.into().at(row.map_or(1, |row| row.line))
    }
}

fn one_of<T>(a: (&'static str, Option<T>), b: (&'static str, Option<T>)) -> Result<T, TableError> {
    match (a.1, b.1) {
        (Some(column), None) | (None, Some(column)) => Ok(column),
        (None, None) => Err(Mistake::Neither(a.0, b.0).at(1)),
        (Some(_), Some(_)) => Err(Mistake::Both(a.0, b.0).at(1)),
    }
}

fn row(columns: &[&str], text: &str) -> Result<Vec<f64>, Mistake> {
    let (found, wanted) = (cells(text).count(), columns.len());
    if found != wanted {
        return Err(Mistake::Cells { found, wanted });
    }
    let number = |(column, cell): (&&str, &str)| match cell.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        _ => Err(Mistake::Number { cell: shown(cell), column: (*column).to_owned() }),
    };
    columns.iter().zip(cells(text)).map(number).collect()
}

fn cells(line: &str) -> impl Iterator<Item = &str> {
    line.split(',').map(|cell| cell.trim().trim_matches('"').trim())
}

/// What stands in the file, cut so that an error stays one line.
fn shown(text: &str) -> String {
    text.chars().take(40).flat_map(char::escape_default).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const EVEN: EvenWedge = EvenWedge { first: 0.05, increment: 0.15 };

    fn lines(columns: &str, rows: impl IntoIterator<Item = String>) -> String {
        rows.into_iter().fold(format!("{columns}\n"), |text, row| text + &row + "\n")
    }

    /// Densities of a print from the clear end of a wedge: a shoulder, a fall and a toe.
    fn falling() -> impl Strategy<Value = Vec<f64>> {
        prop::collection::vec(0.08f64..0.15, 12..24).prop_map(|falls| {
            let steps = [&[0.0, 0.01][..], &falls, &[0.01, 0.005, 0.0]].concat();
            let mut density = 0.1 + steps.iter().sum::<f64>();
            let fall = |step: &f64| {
                density -= step;
                density
            };
            steps.iter().map(fall).collect()
        })
    }

    /// Text much like a table.
    fn like_a_table() -> impl Strategy<Value = String> {
        let name = prop::sample::select(vec![
            "step",
            "wedge_density",
            "density",
            "lstar",
            "spread",
            "band",
            "dose_j_m2",
            "dose_kj_m2",
            "wavelength_nm",
            "value",
            "x_cm",
            "y_cm",
            "irradiance_w_m2",
            "colour",
            "",
        ]);
        let cell = prop_oneof![
            (-3i32..3000).prop_map(|n| (f64::from(n) / 100.0).to_string()),
            Just("1e308".to_owned()),
            Just("-0".to_owned()),
            "\\PC{0,5}",
        ];
        let header = prop::collection::vec(name, 1..4).prop_map(|names| names.join(","));
        let row = prop::collection::vec(cell, 1..4).prop_map(|cells| cells.join(","));
        (header, prop::collection::vec(row, 0..12)).prop_map(|(header, rows)| lines(&header, rows))
    }

    proptest! {
        #[test]
        fn a_wedge_reads_back_as_it_was_written(prints in falling()) {
            let text = lines("step,wedge_density,density", (0..).zip(&prints).map(|(i, print)| {
                format!("{},{},{print}", i + 1, EVEN.first + EVEN.increment * f64::from(i))
            }));
            let dose = Dose::from_j_m2(30_000.0);
            let (steps, curve) = wedge(text.as_bytes(), None, dose).unwrap();
            prop_assert_eq!(steps.len(), prints.len());
            for ((i, step), &print) in (0..).zip(&steps).zip(&prints) {
                prop_assert_eq!(step.print.value(), print);
                prop_assert_eq!(step.wedge.value(), EVEN.first + EVEN.increment * f64::from(i));
            }
            // Without that column, by even steps, and with whatever else a spreadsheet adds.
            let bare = lines("\u{feff}\"density\"", prints.iter().map(|print| format!(" \"{print}\" ")));
            let (same, again) = wedge(bare.replace('\n', "\r\n").as_bytes(), Some(EVEN), dose).unwrap();
            prop_assert_eq!((same, again.key()), (steps, curve.key()));
        }

        #[test]
        fn a_curve_lies_between_its_lightest_and_darkest_point(prints in falling(), at in 0.0f64..1.0) {
            let text = lines("density", prints.iter().map(f64::to_string));
            let (_, curve) = wedge(text.as_bytes(), Some(EVEN), Dose::from_j_m2(30_000.0)).unwrap();
            let (first, last) = (curve.points()[0].log_h, curve.points().last().unwrap().log_h);
            let density = curve.density_at(first + at * (last - first)).unwrap().value();
            // Between its points it goes nowhere else; the points themselves are freed of noise.
            let key = curve.key();
            prop_assert!(density <= key.d_max.value() + 1e-9 && density >= key.d_min.value() - 1e-9);
        }

        #[test]
        fn the_line_of_a_mistake_is_told(prints in falling(), at in any::<prop::sample::Index>(), blank in 0usize..3) {
            let mut rows: Vec<String> = prints.iter().map(f64::to_string).collect();
            let at = at.index(rows.len());
            rows[at] = "dark".to_owned();
            let text = lines("density", rows);
            let text = "#\n".repeat(blank) + &text;
            let error = wedge(text.as_bytes(), Some(EVEN), Dose::from_j_m2(30_000.0)).unwrap_err();
            prop_assert_eq!(error.line, blank + at + 2);
            prop_assert!(matches!(error.mistake, Mistake::Number { .. }), "{}", error);
        }

        #[test]
        fn nothing_like_a_table_can_panic(text in like_a_table(), even: bool) {
            let bytes = text.as_bytes();
            let _ = wedge(bytes, even.then_some(EVEN), Dose::from_j_m2(30_000.0));
            let _ = (strip(bytes), spectrum(bytes), places(bytes));
        }

        #[test]
        fn no_bytes_can_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = wedge(&bytes, None, Dose::from_j_m2(30_000.0));
            let _ = (strip(&bytes), spectrum(&bytes), places(&bytes));
        }
    }

    #[test]
    fn a_density_in_the_column_of_a_lightness_is_refused_by_its_line() {
        let said = strip(b"dose_kj_m2,lstar\n4,62\n8,0.84\n16,1.06\n").unwrap_err().to_string();
        assert_eq!(
            said,
            "3: L* 0.84 is darker than any print, and looks like a density; then name the column density"
        );
        let as_wedge = wedge(b"wedge_density,lstar\n0.1,1.4\n", None, Dose::from_j_m2(30_000.0));
        assert_eq!(as_wedge.unwrap_err(), Mistake::TooDark(1.4).at(2));
    }

    #[test]
    fn a_file_that_is_too_large_or_no_text_is_refused() {
        let large = vec![b'\n'; LARGEST as usize + 1];
        assert_eq!(strip(&large), Err(Mistake::TooLarge.at(1)));
        assert_eq!(strip(b"density\n0.1\n\xff"), Err(Mistake::NotText.at(3)));
    }
}
