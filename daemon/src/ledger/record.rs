//! Reading the record. Works while the daemon runs and when it does not.

use std::path::{Path, PathBuf};

use frameside_core::exposure::{EventKind, FrameState};
use frameside_core::light::{Estimate, Response};
use frameside_core::quantity::{Dose, Irradiance, Mono};
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, Row, params};

use super::Judgement;
use super::chunk::{self, Sample};
use super::recovery::{estimate, response};
use super::schema::{self, LedgerError};
use crate::request::Note;

/// The record, open for reading.
#[derive(Debug)]
pub struct Record {
    connection: Connection,
    path: PathBuf,
}

/// Which prints to list.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Filter {
    /// Only those of this recipe.
    pub recipe: Option<String>,
    /// Only those begun since then, in ms since 1970.
    pub since_ms: Option<i64>,
    /// Only those brought in that nobody has judged.
    pub unjudged: bool,
}

/// A print.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintRow {
    /// Its name.
    pub id: String,
    /// Its frame.
    pub frame: String,
    /// The sensor beside it.
    pub sensor: String,
    /// What its glass passes of what the sensor sees.
    pub glass: f64,
    /// What its doses are multiplied by beside the glass, for its source of light.
    pub factor: f64,
    /// What it answers to: its plan and its doses are counted so.
    pub response: Response,
    /// The source of light.
    pub source: String,
    /// The recipe.
    pub recipe: Option<String>,
    /// The version of the recipe it was made with, counted from 1; `None` where
    /// the recipe was only text then.
    pub recipe_version: Option<u32>,
    /// The negative.
    pub negative: Option<String>,
    /// The note it began with.
    pub note: Option<String>,
    /// What it was to receive, in J/m², the target last.
    pub plan: Vec<f64>,
    /// How the sensor's counts became irradiance.
    pub calibration: String,
    /// What happened to it, in order.
    pub events: Vec<EventRow>,
    seq: i64,
}

/// Something that happened to a print.
#[derive(Debug, Clone, PartialEq)]
pub struct EventRow {
    /// Its number within the print.
    pub seq: u32,
    /// What.
    pub kind: EventKind,
    /// When, in ms since 1970.
    pub unix_ms: i64,
    /// Whether the wall clock was known to be right.
    pub synchronised: bool,
    /// The print's dose.
    pub dose: Estimate,
    /// Its plain dose; the same for a print that counts plainly.
    pub plain: Estimate,
    /// Whether the doses are final.
    pub settled: bool,
    /// On the clock that light is kept by, in ms.
    pub(crate) light_ms: f64,
}

/// A note on a print.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteRow {
    /// When, in ms since 1970.
    pub unix_ms: i64,
    /// What was noted.
    pub note: Note,
    /// The print's dose then, if it was out.
    pub dose: Option<Dose>,
}

/// A stretch of light that was not seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GapRow {
    /// From, in ms since 1970.
    pub from_ms: f64,
    /// To, in ms since 1970.
    pub to_ms: f64,
    /// What may have fallen, before any glass.
    pub dose: Estimate,
}

/// A sample of light with its wall time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightSample {
    /// When, in ms since 1970.
    pub unix_ms: f64,
    /// What was seen; its own time belongs to the boot it was taken in.
    pub sample: Sample,
    /// The number of that boot in the record.
    pub boot: i64,
}

/// All that is known of a print.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintDetail {
    /// The print and its events.
    pub row: PrintRow,
    /// Its notes, oldest first.
    pub notes: Vec<NoteRow>,
    /// Its judgements, oldest first; the last one counts.
    pub judgements: Vec<Judgement>,
    /// Light that was not seen while it was out.
    pub gaps: Vec<GapRow>,
    /// Seconds since it began, irradiance in W/m² beside its glass, the print's dose in J/m².
    pub curve: Vec<(f64, f64, f64)>,
    /// Stretches with the cover off, in seconds since it began; the last may
    /// still go on.
    pub spans: Vec<(f64, Option<f64>)>,
}

/// Instants are the same within this, in seconds: sums of milliseconds lose a little.
const SAME_S: f64 = 1e-4;
/// A print's curve begins and ends between two readings; they are looked for
/// this far beyond it. Much more than a period, for a sensor that was away.
const MARGIN_MS: f64 = 3_600_000.0;
/// Light in the record that gives a print's dose to within this share is all of it.
const SAME_LIGHT: f64 = 0.02;

impl PrintRow {
    /// The last event of a kind.
    fn last(&self, wanted: impl Fn(&EventKind) -> bool) -> Option<&EventRow> {
        self.events.iter().rev().find(|event| wanted(&event.kind))
    }

    /// When it began.
    #[must_use]
    pub fn begun(&self) -> Option<&EventRow> {
        self.events.first()
    }

    /// When it was due.
    #[must_use]
    pub fn due(&self) -> Option<&EventRow> {
        self.last(|kind| *kind == EventKind::Due)
    }

    /// When it came in.
    #[must_use]
    pub fn brought_in(&self) -> Option<&EventRow> {
        self.last(|kind| *kind == EventKind::BroughtIn)
    }

    /// What it aimed at, in the end.
    #[must_use]
    pub fn target(&self) -> Dose {
        let retargeted = self.events.iter().rev().find_map(|event| match event.kind {
            EventKind::Retargeted { target } => Some(target),
            _ => None,
        });
        retargeted.unwrap_or_else(|| Dose::from_j_m2(self.plan.last().copied().unwrap_or(0.0)))
    }

    /// The dose it was brought in with, which is the one to repeat.
    #[must_use]
    pub fn dose_to_repeat(&self) -> Option<Dose> {
        self.brought_in().map(|event| event.dose.best)
    }

    /// The plain dose it was brought in with.
    #[must_use]
    pub fn plain_dose(&self) -> Option<Dose> {
        self.brought_in().map(|event| event.plain.best)
    }

    /// The mean irradiance under its glass with the cover off.
    #[must_use]
    pub fn mean_irradiance(&self) -> Option<Irradiance> {
        let mean = self.plain_dose()?.j_m2() / self.seconds_of_light()?;
        mean.is_finite().then(|| Irradiance::from_w_m2(mean))
    }

    /// Whether it is a test strip.
    #[must_use]
    pub fn is_strip(&self) -> bool {
        self.plan.len() > 1
    }

    /// What each band of a test strip received, up to bring-in. Bands that were
    /// not called before it came in are one.
    #[must_use]
    pub fn band_doses(&self) -> Vec<Dose> {
        let called = self.events.iter().filter(|event| matches!(event.kind, EventKind::Band { .. }));
        called.chain(self.brought_in()).map(|event| event.dose.best).collect()
    }

    /// What it is doing, by its events.
    #[must_use]
    pub fn state(&self) -> FrameState {
        if self.brought_in().is_some() {
            return FrameState::In;
        }
        let uncovered = self
            .last(|kind| matches!(kind, EventKind::Begun { .. } | EventKind::Covered | EventKind::Uncovered));
        match uncovered.map(|event| event.kind) {
            Some(EventKind::Covered | EventKind::Begun { covered: true }) => FrameState::Covered,
            _ if self.due().is_some() => FrameState::Due,
            _ => FrameState::Exposing,
        }
    }

    /// Seconds with the cover off and, where Frameside switched the lamp, the lamp on, up
    /// to bring-in; `None` while it is out.
    #[must_use]
    pub fn seconds_of_light(&self) -> Option<f64> {
        self.brought_in()?;
        let is_switched = self.events.iter().any(|event| event.kind == EventKind::LampOn);
        let (mut is_open, mut is_lit, mut since_ms, mut ms) = (false, !is_switched, 0.0, 0.0);
        for event in &self.events {
            if is_open && is_lit {
                ms += event.light_ms - since_ms;
            }
            since_ms = event.light_ms;
            match event.kind {
                EventKind::Begun { covered } => is_open = !covered,
                EventKind::Uncovered => is_open = true,
                EventKind::Covered | EventKind::BroughtIn => is_open = false,
                EventKind::LampOn => is_lit = true,
                EventKind::LampOff { .. } => is_lit = false,
                _ => {}
            }
        }
        Some(ms / 1000.0)
    }

    fn spans_ms(&self) -> Vec<(f64, Option<f64>)> {
        let mut spans: Vec<(f64, Option<f64>)> = Vec::new();
        for event in &self.events {
            match event.kind {
                EventKind::Begun { covered: false } | EventKind::Uncovered => {
                    spans.push((event.light_ms, None));
                }
                EventKind::Covered | EventKind::BroughtIn => {
                    if let Some((_, to)) = spans.last_mut() {
                        to.get_or_insert(event.light_ms);
                    }
                }
                _ => {}
            }
        }
        spans
    }
}

/// The chunks of a sensor that touch a stretch of wall time in ms since 1970. Boots are few beside
/// chunks, and within one the index of light finds the instants: its columns are compared as they are
/// kept. One statement, since light may be packed meanwhile.
pub(super) const CHUNKS: &str = "
    SELECT codec, n, from_ns, offset_ms, samples, boot.id FROM sensor CROSS JOIN boot CROSS JOIN light
    ON light.sensor = sensor.id AND light.boot = boot.id
    WHERE name = ?1 AND to_ns >= (?2 - offset_ms) * 1e6 AND from_ns <= (?3 - offset_ms) * 1e6
    UNION ALL
    SELECT codec, n, from_ns, offset_ms, samples, boot.id FROM sensor CROSS JOIN open_light CROSS JOIN boot
    ON open_light.sensor = sensor.id AND open_light.boot = boot.id
    WHERE name = ?1 AND to_ns >= (?2 - offset_ms) * 1e6 AND from_ns <= (?3 - offset_ms) * 1e6";

/// What stands for the newest print of all where its name is asked for.
const NEWEST: &str = "last";

/// What to add to its monotonic milliseconds for the wall's, and the samples.
type Chunk = (i64, i64, Result<Vec<Sample>, chunk::Damaged>);

impl Record {
    /// Opens the record at a path.
    ///
    /// # Errors
    /// [`LedgerError`] when there is none, it cannot be read, or is newer.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        if !path.exists() {
            return Err(LedgerError::Missing(path.to_owned()));
        }
        let (connection, version) =
            connect_to_read(path).map_err(|source| LedgerError::Sqlite { path: path.to_owned(), source })?;
        schema::check_version(version, path)?;
        if schema::is_older(version) {
            schema::open(path).map_err(|_| LedgerError::Older { path: path.to_owned() })?;
        }
        Ok(Self { connection, path: path.to_owned() })
    }

    /// The rows of a query.
    pub(super) fn select<T>(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, LedgerError> {
        let rows = || self.connection.prepare(sql)?.query_map(params, row)?.collect::<rusqlite::Result<_>>();
        rows().map_err(|error| self.failed(error))
    }

    fn failed(&self, source: rusqlite::Error) -> LedgerError {
        LedgerError::Sqlite { path: self.path.clone(), source }
    }

    /// The prints, newest first.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn prints(&self, filter: &Filter) -> Result<Vec<PrintRow>, LedgerError> {
        let which = "WHERE (?1 IS NULL OR recipe = ?1)
             AND (NOT ?2 OR NOT EXISTS (SELECT 1 FROM judgement WHERE judgement.print = print.seq))
             ORDER BY seq DESC";
        let rows = self.select_prints(which, params![filter.recipe, filter.unjudged]);
        let mut prints = rows.map_err(|e| self.failed(e))?;
        if filter.unjudged {
            prints.retain(|print| print.brought_in().is_some());
        }
        if let Some(since) = filter.since_ms {
            prints.retain(|print| print.begun().is_some_and(|event| event.unix_ms >= since));
        }
        Ok(prints)
    }

    /// The prints of a recipe that were judged, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn judged(&self, recipe: &str) -> Result<Vec<PrintRow>, LedgerError> {
        let which = "WHERE recipe = ?1 AND seq IN (SELECT print FROM judgement) ORDER BY seq";
        self.select_prints(which, params![recipe]).map_err(|e| self.failed(e))
    }

    /// Whether there is a print of a recipe.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn has_prints_of(&self, recipe: &str) -> Result<bool, LedgerError> {
        let sql = "SELECT EXISTS (SELECT 1 FROM print WHERE recipe = ?1)";
        self.connection.query_row(sql, params![recipe], |row| row.get(0)).map_err(|e| self.failed(e))
    }

    /// The print of a name, or of the only name that begins so; else the newest print of a
    /// frame of that name, or the newest of all for "last".
    ///
    /// # Errors
    /// [`LedgerError::NoPrint`], [`LedgerError::Ambiguous`], or unreadable.
    pub fn find(&self, name: &str) -> Result<PrintRow, LedgerError> {
        let exact = self.select_prints("WHERE id = ?1", params![name]).map_err(|e| self.failed(e))?;
        if let Some(print) = exact.into_iter().next() {
            return Ok(print);
        }
        let begins = "WHERE substr(id, 1, length(?1)) = ?1 ORDER BY seq DESC LIMIT 6";
        let mut prints = self.select_prints(begins, params![name]).map_err(|e| self.failed(e))?;
        match prints.len() {
            1 => Ok(prints.remove(0)),
            0 => self.newest(name)?.ok_or_else(|| LedgerError::NoPrint(name.escape_default().to_string())),
            _ => Err(LedgerError::Ambiguous {
                given: name.to_owned(),
                candidates: prints.into_iter().map(|print| print.id).collect(),
            }),
        }
    }

    /// The newest print of a frame, or of all for [`NEWEST`] where no frame is called so.
    fn newest(&self, name: &str) -> Result<Option<PrintRow>, LedgerError> {
        let which = "WHERE frame = ?1 OR ?1 = ?2 ORDER BY frame = ?1 DESC, seq DESC LIMIT 1";
        let prints = self.select_prints(which, params![name, NEWEST]).map_err(|e| self.failed(e))?;
        Ok(prints.into_iter().next())
    }

    /// All that is known of a print.
    ///
    /// # Errors
    /// As [`Self::find`], and [`LedgerError::Damaged`].
    pub fn detail(&self, name: &str) -> Result<PrintDetail, LedgerError> {
        // Of one instant, whatever the daemon writes meanwhile.
        let _instant = self.connection.unchecked_transaction().map_err(|e| self.failed(e))?;
        let row = self.find(name)?;
        let begun = row.begun().map_or(0.0, |event| event.light_ms);
        // A print that is out goes on to the newest light there is.
        let end = row.brought_in().map_or(f64::MAX, |event| event.light_ms);
        let light = self.light(&row.sensor, begun - MARGIN_MS, end + MARGIN_MS)?;
        let gaps = self.gaps(&row.sensor, begun, end).map_err(|e| self.failed(e))?;
        let notes = self.notes(row.seq).map_err(|e| self.failed(e))?;
        let judgements = self.judgements(&row)?;
        let spans = row.spans_ms();
        let counted = counted_lights(&light, &gaps);
        let mut curve = curve(&light, &counted, &spans, &[begun, end], row.glass * row.factor, &row.response);
        let since = |ms: f64| (ms - begun) / 1000.0;
        // The reading that settles its figures is not there yet: it ends with those it has.
        if let Some(event) = row.brought_in().filter(|event| !event.settled)
            && let Some(&(at, w_m2, _)) = curve.last()
            && at + SAME_S < since(end)
        {
            curve.push((since(end), w_m2, event.dose.best.j_m2()));
        }
        let spans = spans.into_iter().map(|(from, to)| (since(from), to.map(since))).collect();
        Ok(PrintDetail { row, notes, judgements, gaps, curve, spans })
    }

    /// A print with its doses as another response counts them, from the light that
    /// fell on it; `None` where not all of that is in the record.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn recounted(&self, print: &PrintRow, response: Response) -> Result<Option<PrintRow>, LedgerError> {
        let mut recounted = PrintRow { response, ..print.clone() };
        if response == print.response {
            return Ok(Some(recounted));
        }
        if response.is_plain() {
            recounted.events.iter_mut().for_each(|event| event.dose = event.plain);
            return Ok(Some(recounted));
        }
        let mut instants: Vec<f64> = print.events.iter().map(|event| event.light_ms).collect();
        // A crossing within a gap is told after what happened since.
        instants.sort_by(f64::total_cmp);
        let (Some(&begun), Some(&end)) = (instants.first(), instants.last()) else { return Ok(None) };
        let light = match self.light(&print.sensor, begun - MARGIN_MS, end + MARGIN_MS) {
            Err(LedgerError::Damaged(_)) => return Ok(None),
            light => light?,
        };
        let spans = print.spans_ms();
        let gaps = self.gaps(&print.sensor, begun, end).map_err(|e| self.failed(e))?;
        let lights = counted_lights(&light, &gaps);
        let counted =
            |response| curve(&light, &lights, &spans, &instants, print.glass * print.factor, response);
        let (plain, other) = (counted(&Response::PLAIN), counted(&response));
        for event in &mut recounted.events {
            let at = (event.light_ms - begun) / 1000.0;
            let (plain, other) = (dose_at(&plain, at), dose_at(&other, at));
            let off = SAME_LIGHT * event.plain.high.j_m2() + 1.0;
            if plain < event.plain.low.j_m2() - off || plain > event.plain.high.j_m2() + off {
                return Ok(None);
            }
            event.dose = event.plain.scaled(if plain > 0.0 { other / plain } else { 0.0 });
        }
        Ok(Some(recounted))
    }

    /// A sensor's light between two wall times in ms since 1970.
    ///
    /// # Errors
    /// [`LedgerError::Damaged`], or unreadable.
    pub fn light(&self, sensor: &str, from_ms: f64, to_ms: f64) -> Result<Vec<LightSample>, LedgerError> {
        let chunks = self.chunks(sensor, from_ms, to_ms).map_err(|e| self.failed(e))?;
        let mut samples = Vec::new();
        for (boot, offset_ms, read) in chunks {
            samples.extend(read?.into_iter().map(|sample| LightSample {
                unix_ms: sample.at.nanos() as f64 / 1e6 + offset_ms as f64,
                sample,
                boot,
            }));
        }
        samples.retain(|s| (from_ms..=to_ms).contains(&s.unix_ms));
        samples.sort_by(|a, b| a.unix_ms.total_cmp(&b.unix_ms));
        Ok(samples)
    }

    /// The sensors that have light in the record, by name.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn sensors(&self) -> Result<Vec<String>, LedgerError> {
        let names = || {
            self.connection
                .prepare("SELECT name FROM sensor ORDER BY id")?
                .query_map([], |row| row.get(0))?
                .collect::<rusqlite::Result<_>>()
        };
        names().map_err(|e| self.failed(e))
    }

    /// Gaps of a sensor that touch a stretch of wall time in ms since 1970.
    fn gaps(&self, sensor: &str, from_ms: f64, to_ms: f64) -> rusqlite::Result<Vec<GapRow>> {
        let mut select = self.connection.prepare(
            "SELECT from_ns / 1e6 + offset_ms, to_ns / 1e6 + offset_ms, gap.best, gap.low, gap.high
             FROM gap JOIN sensor ON sensor.id = gap.sensor JOIN boot ON boot.id = gap.boot
             WHERE name = ?1 AND to_ns / 1e6 + offset_ms >= ?2 AND from_ns / 1e6 + offset_ms <= ?3 ORDER BY 1",
        )?;
        select
            .query_map(params![sensor, from_ms, to_ms], |row| {
                Ok(GapRow { from_ms: row.get(0)?, to_ms: row.get(1)?, dose: estimate(row, 2)? })
            })?
            .collect()
    }

    /// Gaps of a sensor within a stretch of wall time in ms since 1970.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn gaps_between(&self, sensor: &str, from_ms: f64, to_ms: f64) -> Result<Vec<GapRow>, LedgerError> {
        self.gaps(sensor, from_ms, to_ms).map_err(|e| self.failed(e))
    }

    fn chunks(&self, sensor: &str, from_ms: f64, to_ms: f64) -> rusqlite::Result<Vec<Chunk>> {
        let mut select = self.connection.prepare_cached(CHUNKS)?;
        // An instant of the wall is only known to a part of a microsecond: a little more is read.
        let (from_ms, to_ms) = (from_ms - 1.0, to_ms + 1.0);
        select
            .query_map(params![sensor, from_ms, to_ms], |row| {
                let (codec, count, from) = (row.get(0)?, row.get(1)?, Mono::from_nanos(row.get(2)?));
                Ok((
                    row.get(5)?,
                    row.get(3)?,
                    chunk::decode_row(codec, count, from, row.get_ref(4)?.as_blob()?),
                ))
            })?
            .collect()
    }

    fn select_prints(&self, which: &str, params: impl rusqlite::Params) -> rusqlite::Result<Vec<PrintRow>> {
        let sql = format!(
            "SELECT seq, id, frame, sensor, glass, source, recipe, negative, note, plan, calibration,
                    recipe_version, factor, exponent, reference FROM print {which}"
        );
        let mut select = self.connection.prepare(&sql)?;
        let prints: Vec<PrintRow> = select.query_map(params, print_row)?.collect::<rusqlite::Result<_>>()?;
        prints.into_iter().map(|print| Ok(PrintRow { events: self.events(print.seq)?, ..print })).collect()
    }

    fn events(&self, print: i64) -> rusqlite::Result<Vec<EventRow>> {
        let mut select = self.connection.prepare_cached(
            "SELECT seq, kind, at_ms, event.synced, settled, at_ns / 1e6 + offset_ms, best, low, high,
                    ifnull(plain_best, best), ifnull(plain_low, low), ifnull(plain_high, high)
             FROM event JOIN boot ON boot.id = event.boot WHERE print = ?1 ORDER BY seq",
        )?;
        let rows = select.query_map([print], |row| {
            let kind: String = row.get(1)?;
            let kind = serde_json::from_str(&kind).map_err(|error| {
                rusqlite::Error::FromSqlConversionFailure(1, rusqlite::types::Type::Text, error.into())
            })?;
            Ok(EventRow {
                seq: row.get(0)?,
                kind,
                unix_ms: row.get(2)?,
                synchronised: row.get(3)?,
                settled: row.get(4)?,
                light_ms: row.get(5)?,
                dose: estimate(row, 6)?,
                plain: estimate(row, 9)?,
            })
        })?;
        rows.collect()
    }

    fn notes(&self, print: i64) -> rusqlite::Result<Vec<NoteRow>> {
        let mut select = self.connection.prepare(
            "SELECT note.at_ms, text, tone, event.best, step, seconds FROM note
             LEFT JOIN event ON event.print = note.print AND event.seq = event_seq
             WHERE note.print = ?1 ORDER BY id",
        )?;
        select
            .query_map([print], |row| {
                let dose: Option<f64> = row.get(3)?;
                Ok(NoteRow {
                    unix_ms: row.get(0)?,
                    note: Note {
                        text: row.get(1)?,
                        tone: row.get(2)?,
                        step: row.get(4)?,
                        seconds: row.get(5)?,
                    },
                    dose: dose.map(Dose::from_j_m2),
                })
            })?
            .collect()
    }

    /// The day of the newest light, as ms since 1970; `None` without any.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn newest_light_ms(&self) -> Result<Option<i64>, LedgerError> {
        self.connection
            .query_row(
                "SELECT max(to_ns / 1000000 + offset_ms)
                 FROM (SELECT boot, to_ns FROM light UNION ALL SELECT boot, to_ns FROM open_light) AS light
                 JOIN boot ON boot.id = light.boot",
                [],
                |row| row.get(0),
            )
            .optional()
            .map(Option::flatten)
            .map_err(|e| self.failed(e))
    }
}

/// Opens a file for reading and returns its schema's version.
pub(super) fn connect(path: &Path, how: &str) -> rusqlite::Result<(Connection, i64)> {
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => {
                uri.push(char::from(*byte));
            }
            other => uri.push_str(&format!("%{other:02X}")),
        }
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
    let connection = Connection::open_with_flags(format!("{uri}?{how}"), flags)?;
    connection.execute_batch("PRAGMA busy_timeout = 2000; PRAGMA cache_size = -512")?;
    let version = schema::version(&connection)?;
    Ok((connection, version))
}

/// The same, with or without the right to write beside it.
pub(super) fn connect_to_read(path: &Path) -> rusqlite::Result<(Connection, i64)> {
    match connect(path, "mode=ro") {
        // Readers of a live file share a small file beside it. Who may not
        // make that can read all the same while nobody writes.
        Err(error) if may_not_write(&error) && is_at_rest(path) => connect(path, "immutable=1"),
        connected => connected,
    }
}

fn may_not_write(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly))
}

/// Whether the writer has ended and left everything in the one file.
fn is_at_rest(path: &Path) -> bool {
    !super::with_ending(path, "-wal").exists()
}

fn print_row(row: &Row<'_>) -> rusqlite::Result<PrintRow> {
    let plan: String = row.get(9)?;
    Ok(PrintRow {
        seq: row.get(0)?,
        id: row.get(1)?,
        frame: row.get(2)?,
        sensor: row.get(3)?,
        glass: row.get(4)?,
        source: row.get(5)?,
        recipe: row.get(6)?,
        negative: row.get(7)?,
        note: row.get(8)?,
        plan: serde_json::from_str(&plan).unwrap_or_default(),
        calibration: row.get(10)?,
        recipe_version: row.get(11)?,
        factor: row.get(12)?,
        response: response(row, 13)?,
        events: Vec::new(),
    })
}

/// The irradiance at both ends of each line of light, in W/m², as it was counted: the
/// lines across a gap give its best figure together.
pub(super) fn counted_lights(light: &[LightSample], gaps: &[GapRow]) -> Vec<(f64, f64)> {
    /// Boots lie as exactly beside each other as wall clocks tell, in ms.
    const NEAR_MS: f64 = 5.0;
    /// One and a half of the longest period a sensor may have, in ms.
    const LONGEST_STEP_MS: f64 = 900_000.0;
    let seen = |sample: &LightSample| sample.sample.seen.lowest().w_m2();
    let is_across_boots = |line: usize| light[line].boot != light[line + 1].boot;
    let lasts_ms = |line: usize| light[line + 1].unix_ms - light[line].unix_ms;
    let mut lights: Vec<_> = light.windows(2).map(|pair| (seen(&pair[0]), seen(&pair[1]))).collect();
    // No step of the integral leads over so long, and a gap that did is told of.
    let is_no_step = |&line: &usize| is_across_boots(line) && lasts_ms(line) > LONGEST_STEP_MS;
    (0..lights.len()).filter(is_no_step).for_each(|line| lights[line] = (0.0, 0.0));
    // What was counted at once and what the clock told later lie beside each other.
    for gap in gaps.chunk_by(|before, after| after.from_ms <= before.to_ms + NEAR_MS) {
        let (Some(first), Some(last)) = (gap.first(), gap.last()) else { continue };
        let mut from = light.partition_point(|sample| sample.unix_ms < first.from_ms - NEAR_MS);
        let to = light.partition_point(|sample| sample.unix_ms <= last.to_ms + NEAR_MS);
        // Where no clock tells how long the power was gone, it begins close before its boot.
        let begins_at_none = light.get(from).is_some_and(|after| after.unix_ms > first.from_ms + NEAR_MS);
        if begins_at_none && from > 0 && is_across_boots(from - 1) {
            from -= 1;
        }
        let lines = from..to.saturating_sub(1).max(from);
        let seconds = |line: usize| lasts_ms(line) / 1000.0;
        let ends = |line: usize| (seen(&light[line]), seen(&light[line + 1]));
        let area: f64 = lines.clone().map(|line| 0.5 * (ends(line).0 + ends(line).1) * seconds(line)).sum();
        let all: f64 = lines.clone().map(seconds).sum();
        let best: f64 = gap.iter().map(|gap| gap.dose.best.j_m2()).sum();
        for line in lines {
            let (e0, e1) = ends(line);
            // Where the ends were dark, it was counted as even.
            lights[line] =
                if area > 0.0 { (e0 * best / area, e1 * best / area) } else { (best / all, best / all) };
        }
    }
    lights
}

/// A print's dose curve from the light, as it was seen and as it was counted, and the
/// stretches with the cover off, all in ms of wall time. It bends exactly at the given
/// instants, the first of which is its begin and the last its end, and where the cover
/// moved.
fn curve(
    light: &[LightSample],
    counted: &[(f64, f64)],
    spans: &[(f64, Option<f64>)],
    instants: &[f64],
    glass: f64,
    response: &Response,
) -> Vec<(f64, f64, f64)> {
    let (Some(&begun), Some(&end)) = (instants.first(), instants.last()) else { return Vec::new() };
    let of_spans = spans.iter().flat_map(|&(from, to)| [Some(from), to]).flatten();
    let mut edges: Vec<f64> = of_spans.chain(instants.iter().copied()).collect();
    edges.sort_by(f64::total_cmp);
    let is_uncovered = |ms: f64| spans.iter().any(|&(from, to)| from <= ms && to.is_none_or(|to| ms <= to));
    let point = |ms: f64, w_m2: f64, dose: f64| ((ms - begun) / 1000.0, w_m2, dose);
    let mut points: Vec<(f64, f64, f64)> = Vec::new();
    let mut dose = 0.0;
    for (pair, &(c0, c1)) in light.windows(2).zip(counted) {
        let (from, to) = (pair[0].unix_ms, pair[1].unix_ms);
        let (e0, e1) = (pair[0].sample.seen.lowest().w_m2(), pair[1].sample.seen.lowest().w_m2());
        let line = |ms: f64| e0 + (e1 - e0) * (ms - from) / (to - from);
        let counts = |ms: f64| glass * (c0 + (c1 - c0) * (ms - from) / (to - from));
        let mut at = from;
        for next in edges.iter().copied().filter(|&edge| from < edge && edge < to).chain([to]) {
            if begun <= at && next <= end && at < next {
                if points.is_empty() {
                    points.push(point(at, line(at), dose));
                }
                if is_uncovered(0.5 * (at + next)) {
                    dose += response.ramp(counts(at), counts(next), (next - at) / 1000.0);
                }
                points.push(point(next, line(next), dose));
            }
            at = next;
        }
    }
    points
}

/// The dose of a curve at an instant that it has a point at.
fn dose_at(curve: &[(f64, f64, f64)], seconds: f64) -> f64 {
    let after = curve.partition_point(|&(at, ..)| at <= seconds + SAME_S);
    after.checked_sub(1).map_or(0.0, |last| curve[last].2)
}
