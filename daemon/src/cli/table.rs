//! Tables of measurements, from files.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use super::Failure;
use crate::measured::{LARGEST, TableError};

/// Reads a table. Every error names the file, the line and the fix.
pub(super) fn read<T>(file: &Path, parse: impl FnOnce(&[u8]) -> Result<T, TableError>) -> Result<T, Failure> {
    let mut bytes = Vec::new();
    File::open(file)
        .and_then(|file| file.take(LARGEST + 1).read_to_end(&mut bytes))
        .map_err(|error| Failure::Failed(format!("{}: {error}", file.display())))?;
    parse(&bytes).map_err(|error| Failure::Failed(format!("{}:{error}", file.display())))
}
