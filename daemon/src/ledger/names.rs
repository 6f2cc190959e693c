//! The names of prints: `<day>-<frame>-<n>`.

use std::collections::HashMap;

use rusqlite::Connection;

/// Which names are taken. They are read once, at the start, and numbered in memory from then
/// on: to name a print never waits for the card.
#[derive(Debug, Default)]
pub(super) struct Names {
    /// The highest number of each `<day>-<frame>`.
    highest: HashMap<String, u64>,
}

impl Names {
    /// The names of all prints in the record.
    pub(super) fn read(connection: &Connection) -> rusqlite::Result<Self> {
        let mut names = Self::default();
        let mut select = connection.prepare("SELECT id FROM print")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            // One without a number is another program's or damaged, and is never given out.
            if let Ok(id) = row.get_ref(0)?.as_str()
                && let Some((stem, number)) = id.rsplit_once('-')
                && let Ok(number) = number.parse()
            {
                names.take(stem, number);
            }
        }
        Ok(names)
    }

    /// The next free name of a frame's prints on a day.
    pub(super) fn next(&mut self, day: &str, frame: &str) -> String {
        let stem = format!("{day}-{frame}");
        let number = self.highest.get(&stem).map_or(1, |highest| highest.saturating_add(1));
        self.take(&stem, number);
        format!("{stem}-{number}")
    }

    fn take(&mut self, stem: &str, number: u64) {
        match self.highest.get_mut(stem) {
            Some(highest) => *highest = number.max(*highest),
            None => drop(self.highest.insert(stem.to_owned(), number)),
        }
    }
}
