//! A table as CSV, JSON or Parquet.

use std::io::{self, Write};

use serde_json::{Map, Value};

/// A column; every column of a table has as many values.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Text.
    Text(Vec<Option<String>>),
    /// Numbers.
    Number(Vec<Option<f64>>),
}

/// Columns by name.
#[derive(Debug, Clone, PartialEq)]
pub struct Table(pub Vec<(&'static str, Column)>);

impl Column {
    fn len(&self) -> usize {
        match self {
            Self::Text(values) => values.len(),
            Self::Number(values) => values.len(),
        }
    }

    fn json(&self, row: usize) -> Value {
        match self {
            Self::Text(values) => values[row].clone().into(),
            Self::Number(values) => values[row].into(),
        }
    }

    fn csv(&self, row: usize) -> String {
        match self {
            Self::Text(values) => quoted(values[row].as_deref().unwrap_or_default()),
            Self::Number(values) => values[row].map(|number| number.to_string()).unwrap_or_default(),
        }
    }
}

/// A field by RFC 4180.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

impl Table {
    fn rows(&self) -> usize {
        self.0.first().map_or(0, |(_, column)| column.len())
    }

    /// Writes it with a line of names.
    ///
    /// # Errors
    /// When `out` cannot be written.
    pub fn write_csv(&self, mut out: impl Write) -> io::Result<()> {
        let names: Vec<&str> = self.0.iter().map(|&(name, _)| name).collect();
        writeln!(out, "{}", names.join(","))?;
        for row in 0..self.rows() {
            let fields: Vec<String> = self.0.iter().map(|(_, column)| column.csv(row)).collect();
            writeln!(out, "{}", fields.join(","))?;
        }
        out.flush()
    }

    /// Writes it as an array with an object a row.
    ///
    /// # Errors
    /// When `out` cannot be written.
    pub fn write_json(&self, mut out: impl Write) -> io::Result<()> {
        for row in 0..self.rows() {
            let fields = self.0.iter().map(|(name, column)| ((*name).to_owned(), column.json(row)));
            let object = Value::Object(fields.collect::<Map<_, _>>());
            write!(out, "{}\n{object}", if row == 0 { "[" } else { "," })?;
        }
        writeln!(out, "{}", if self.rows() == 0 { "[]" } else { "\n]" })?;
        out.flush()
    }

    /// Writes it as Parquet, in one row group.
    ///
    /// # Errors
    /// When `out` cannot be written.
    #[cfg(feature = "parquet")]
    pub fn write_parquet(&self, out: impl Write + Send) -> parquet::errors::Result<()> {
        use parquet::data_type::{ByteArray, ByteArrayType, DoubleType};
        use parquet::file::writer::SerializedFileWriter;
        use parquet::schema::parser::parse_message_type;

        let fields = self.0.iter().map(|(name, column)| match column {
            Column::Text(_) => format!("OPTIONAL BYTE_ARRAY {name} (UTF8);"),
            Column::Number(_) => format!("OPTIONAL DOUBLE {name};"),
        });
        let schema = parse_message_type(&format!("message table {{ {} }}", fields.collect::<String>()))?;
        let mut writer = SerializedFileWriter::new(out, schema.into(), Default::default())?;
        let mut group = writer.next_row_group()?;
        for (_, column) in &self.0 {
            // There are as many as the schema has fields.
            let Some(mut to) = group.next_column()? else { break };
            match column {
                Column::Text(values) => {
                    let bytes: Vec<ByteArray> =
                        values.iter().flatten().map(|text| text.as_str().into()).collect();
                    to.typed::<ByteArrayType>().write_batch(&bytes, Some(&defined(values)), None)?;
                }
                Column::Number(values) => {
                    let numbers: Vec<f64> = values.iter().flatten().copied().collect();
                    to.typed::<DoubleType>().write_batch(&numbers, Some(&defined(values)), None)?;
                }
            }
            to.close()?;
        }
        group.close()?;
        writer.close()?;
        Ok(())
    }
}

/// For each value whether it is there, as Parquet counts it.
#[cfg(feature = "parquet")]
fn defined<T>(values: &[Option<T>]) -> Vec<i16> {
    values.iter().map(|value| i16::from(value.is_some())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        Table(vec![
            ("note", Column::Text(vec![Some("a \"b\", c".into()), None])),
            ("dose_j_m2", Column::Number(vec![None, Some(0.1)])),
        ])
    }

    fn written(write: impl Fn(&Table, &mut Vec<u8>) -> io::Result<()>) -> String {
        let mut out = Vec::new();
        write(&table(), &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn csv_quotes_what_would_break_it() {
        let csv = written(|table, out| table.write_csv(out));
        assert_eq!(csv, "note,dose_j_m2\n\"a \"\"b\"\", c\",\n,0.1\n");
    }

    #[test]
    fn json_is_an_object_a_row() {
        let json: Value = serde_json::from_str(&written(|table, out| table.write_json(out))).unwrap();
        let expected =
            serde_json::json!([{"note": "a \"b\", c", "dose_j_m2": null}, {"note": null, "dose_j_m2": 0.1}]);
        assert_eq!(json, expected);
    }
}
