//! The ledger's file as anyone reads it, without our own code.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use frameside_core::exposure::EventKind;
use rusqlite::{Connection, OpenFlags};

/// An event as it is kept.
#[derive(Debug, Clone)]
pub(super) struct Kept {
    pub(super) kind: EventKind,
    pub(super) at_ns: i64,
    /// The kernel's name for the boot.
    pub(super) boot: String,
    /// Its number in the record.
    pub(super) boot_row: i64,
    pub(super) at_ms: i64,
    pub(super) synchronised: bool,
    pub(super) settled: bool,
    /// Low, best, high in J/m², as its exponent counts it.
    pub(super) dose: [f64; 3],
    /// The same of the plain dose.
    pub(super) plain: [f64; 3],
}

pub(super) struct File(Connection);

impl File {
    pub(super) fn open(path: &Path) -> Self {
        Self(Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap())
    }

    /// The events of every print, in order.
    pub(super) fn events(&self) -> BTreeMap<String, Vec<Kept>> {
        let sql = "SELECT print.id, kind, at_ns, kernel, at_ms, event.synced, settled, low, best, high,
                          ifnull(plain_low, low), ifnull(plain_best, best), ifnull(plain_high, high), boot.id
                   FROM event JOIN print ON print.seq = event.print JOIN boot ON boot.id = event.boot
                   ORDER BY event.print, event.seq";
        let mut select = self.0.prepare(sql).unwrap();
        let mut rows = select.query([]).unwrap();
        let mut prints: BTreeMap<String, Vec<Kept>> = BTreeMap::new();
        while let Some(row) = rows.next().unwrap() {
            let kept = Kept {
                kind: serde_json::from_str(&row.get::<_, String>(1).unwrap()).unwrap(),
                at_ns: row.get(2).unwrap(),
                boot: row.get(3).unwrap(),
                boot_row: row.get(13).unwrap(),
                at_ms: row.get(4).unwrap(),
                synchronised: row.get(5).unwrap(),
                settled: row.get(6).unwrap(),
                dose: [7, 8, 9].map(|column| row.get(column).unwrap()),
                plain: [10, 11, 12].map(|column| row.get(column).unwrap()),
            };
            prints.entry(row.get(0).unwrap()).or_default().push(kept);
        }
        prints
    }

    /// How many samples of a sensor's light there are.
    pub(super) fn samples(&self, sensor: &str) -> usize {
        let sql = "SELECT ifnull(sum(n), 0) FROM (SELECT sensor, n FROM light UNION ALL
                   SELECT sensor, n FROM open_light) AS kept JOIN sensor ON sensor.id = kept.sensor
                   WHERE name = ?1";
        self.0.query_row(sql, [sensor], |row| row.get::<_, i64>(0)).unwrap() as usize
    }

    pub(super) fn integrity(&self) -> String {
        self.0.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap()
    }

    /// The targets of every print, in J/m².
    pub(super) fn plans(&self) -> BTreeMap<String, Vec<f64>> {
        let plan = |plan: String| serde_json::from_str(&plan).unwrap();
        let sql = "SELECT id, plan FROM print";
        self.rows(sql, [], |row| Ok((row.get(0)?, plan(row.get(1)?)))).into_iter().collect()
    }

    /// The exponent and the reference a print counts by.
    pub(super) fn counts_by(&self, print: &str) -> (f64, Option<f64>) {
        let sql = "SELECT exponent, reference FROM print WHERE id = ?1";
        self.0.query_row(sql, [print], |row| Ok((row.get(0)?, row.get(1)?))).unwrap()
    }

    /// Signals that the broker is still to have, by id.
    pub(super) fn waiting_signals(&self) -> Vec<String> {
        let mut select = self.0.prepare("SELECT id FROM outbox").unwrap();
        select.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    }

    /// The sensors with outages of which it is not known how long they were.
    pub(super) fn torn(&self) -> BTreeSet<String> {
        let mut select = self.0.prepare("SELECT sensor FROM outage").unwrap();
        select.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    }

    /// What a query gives, row by row.
    pub(super) fn rows<T>(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
        row: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Vec<T> {
        let mut select = self.0.prepare(sql).unwrap();
        select.query_map(params, row).unwrap().map(Result::unwrap).collect()
    }
}
