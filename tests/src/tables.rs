//! Tables that tests make, as files in `tests/tables`.

use crate::repository;

/// Asserts that a table is the one in the repository. With `FRAMESIDE_WRITE_TABLES` in the
/// environment it is written instead.
///
/// # Panics
/// When the table differs, or its file cannot be read or written.
pub fn assert_table(name: &str, introduction: &str, table: &str) {
    let file = repository().join("tests/tables").join(name);
    let made = format!("{introduction}\n\n{table}");
    if std::env::var_os("FRAMESIDE_WRITE_TABLES").is_some() {
        std::fs::write(&file, &made).unwrap();
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    assert!(
        kept == made,
        "tests/tables/{name} is another table; FRAMESIDE_WRITE_TABLES=1 writes this one:\n{made}"
    );
}
