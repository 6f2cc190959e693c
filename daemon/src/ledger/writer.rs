//! The thread that owns the connection.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use frameside_core::exposure::{Counted, EventKind, Totals};
use frameside_core::light::{Estimate, Knot, Response};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;
use rusqlite::{Connection, ErrorCode, OptionalExtension, Transaction, TransactionBehavior, params};

use super::chunk::{self, Codec, Sample};
use super::counts::Counts;
use super::queue::{Batch, Light, Queue, Work};
use super::{Boot, Entry, LedgerError, LedgerEvent, NewPrint, file, outages, schema, unjudged};
use crate::clock::WALL_STEP_MS;
use crate::request::Note;

/// A sensor's open chunks are packed into one when they hold this many samples.
/// Twice as many pack a little better, but keep more room for the open ones.
const PACK_AT: i64 = 1800;
/// While writing fails, it is tried again this often.
const TRY_AGAIN: Duration = Duration::from_secs(5);
/// The log is copied into the file when it is longer than this and nothing waits for the card, in bytes.
const LONG_LOG: u64 = 1 << 20;
/// And at this length whatever waits.
const LONGEST_LOG: u64 = 16 << 20;
/// Answers to commands that are kept.
pub(super) const ANSWERS_KEPT: usize = 100;

/// The key in `meta` of what the broker may keep of the rig's.
pub(super) const AT_BROKER: &str = "at_broker";
/// Where that key holds how bright the clear sky is, in W/m².
pub(super) const CLEAR_SKY: &str = "clear_sky_w_m2";

pub(super) struct Writer {
    connection: Connection,
    path: PathBuf,
    /// Whether the connection only stands for a file that cannot be written yet.
    is_without_file: bool,
    /// Of the write-ahead log.
    log: PathBuf,
    log_file: file::Log,
    /// At this length of the log it is copied into the file whatever waits, in bytes.
    checkpoint_at: u64,
    this_boot: Boot,
    boot: i64,
    wall: WallAnchor,
    /// Of what is in the file.
    counts: Counts,
    /// What is not in the file yet.
    held: Batch,
    /// What the tables refused in the last transaction: of which print, and why.
    left_out: Vec<(Option<String>, String)>,
    /// The last commit asked for and not acknowledged.
    asked: Option<u64>,
    failing: bool,
    #[cfg(test)]
    disk: std::sync::Arc<super::faults::Disk>,
}

impl Writer {
    /// `known` is the row of this boot if the ledger has one.
    pub(super) fn new(
        connection: Connection,
        path: &Path,
        boot: &Boot,
        known: Option<i64>,
    ) -> rusqlite::Result<Self> {
        let row = begin(&connection, boot, known)?;
        Ok(Self {
            wall: kept_wall(&connection, row)?,
            counts: Counts::of(&connection)?,
            boot: row,
            this_boot: boot.clone(),
            connection,
            path: path.to_owned(),
            is_without_file: false,
            log: super::with_ending(path, "-wal"),
            log_file: file::Log::beside(path),
            checkpoint_at: LONGEST_LOG,
            held: Batch::default(),
            left_out: Vec::new(),
            asked: None,
            failing: false,
            #[cfg(test)]
            disk: std::sync::Arc::default(),
        })
    }

    /// The same for a connection that only stands for a file that cannot be written yet.
    pub(super) fn without_file(self) -> Self {
        Self { is_without_file: true, ..self }
    }

    /// Sees to it that the connection leads to the file at the record's path. Returns what
    /// happened to that, if anything.
    fn reach_file(&mut self) -> Result<Vec<String>, LedgerError> {
        let path = self.path.clone();
        let failed = |source| LedgerError::Sqlite { path: path.clone(), source };
        let opened = if self.is_without_file {
            file::open(&path)?
        } else if file::has_moved(&self.connection).map_err(failed)? {
            file::write_anew(&self.connection, self.log_file, &path)?
        } else {
            return Ok(Vec::new());
        };
        self.go_on_with(opened).map_err(failed)
    }

    fn go_on_with(&mut self, opened: file::Opened) -> rusqlite::Result<Vec<String>> {
        let file::Opened { connection, troubles, .. } = opened;
        let known = super::recovery::row_of(&connection, &self.this_boot)?;
        self.boot = begin(&connection, &self.this_boot, known)?;
        self.wall = kept_wall(&connection, self.boot)?;
        self.counts = Counts::of(&connection)?;
        self.connection = connection;
        self.is_without_file = false;
        self.log_file = file::Log::beside(&self.path);
        Ok(troubles)
    }

    /// Closes a file that turned out to be damaged; the next try opens it anew, and finds out
    /// what is wrong with it.
    fn let_go(&mut self) {
        match file::in_memory(Path::new("")) {
            Ok(memory) => (self.connection, self.is_without_file) = (memory, true),
            Err(error) => tracing::error!(%error, "a damaged record stays open"),
        }
    }

    #[cfg(test)]
    pub(super) fn disk(&self) -> std::sync::Arc<super::faults::Disk> {
        self.disk.clone()
    }

    /// Works until the queue ends; then the last write decides how it ended.
    pub(super) fn run(mut self, queue: &Queue, events: &tokio::sync::mpsc::UnboundedSender<LedgerEvent>) {
        loop {
            let work = queue.next(TRY_AGAIN);
            #[cfg(test)]
            if self.disk.is_gone() {
                return queue.set_ended(Ok(()));
            }
            let Work { batch, token, unjudged_before_ms, checkpoint, ends } = work;
            queue.note_dropped(self.held.append(batch));
            self.asked = token.or(self.asked);
            if ends {
                if let Err(error) = self.reach_file() {
                    tracing::error!(%error, "the record cannot be written at the end");
                }
                let written = self.write_held();
                return queue.set_ended(written);
            }
            let found = unjudged_before_ms.and_then(|before_ms| self.unjudged(before_ms));
            let flushed = if token.is_some() || self.failing {
                queue.card().begin(Instant::now());
                let flushed = self.flush();
                queue.card().end(Instant::now(), !self.failing);
                flushed
            } else {
                Vec::new()
            };
            for event in found.into_iter().chain(flushed) {
                // Whoever listened may have gone at the end.
                let _ = events.send(event);
            }
            let length = self.log_length();
            let is_long = length > LONG_LOG;
            if checkpoint && is_long || length > self.checkpoint_at {
                queue.card().begin(Instant::now());
                self.checkpoint(length);
                queue.card().end(Instant::now(), false);
                queue.set_long_log(false);
            } else {
                queue.set_long_log(is_long);
            }
        }
    }

    /// Those that wait to be judged, if any. Nothing while the file cannot be
    /// written: who was told of a print could not be kept.
    fn unjudged(&mut self, before_ms: i64) -> Option<LedgerEvent> {
        if self.failing {
            return None;
        }
        let found = unjudged::waiting(&self.connection, before_ms)
            .inspect_err(|error| tracing::warn!(%error, "which prints wait to be judged cannot be read"));
        found.ok().filter(|found| !found.is_empty()).map(LedgerEvent::Unjudged)
    }

    /// Writes all that is held in one transaction.
    fn flush(&mut self) -> Vec<LedgerEvent> {
        let mut events = Vec::new();
        let written = self.reach_file().map_err(|error| error.to_string()).and_then(|troubles| {
            events.extend(troubles.into_iter().map(LedgerEvent::Rescued));
            self.write_held().map_err(|error| {
                if schema::is_broken(&error) {
                    self.let_go();
                }
                error.to_string()
            })
        });
        let token = self.asked;
        match written {
            Ok(()) => {
                self.held = Batch::default();
                self.asked = None;
                if std::mem::take(&mut self.failing) {
                    tracing::info!("the record is written again");
                }
                let left_out = self.left_out.drain(..).map(|(print, why)| LedgerEvent::LeftOut(print, why));
                events.extend(left_out.chain(token.map(LedgerEvent::Committed)));
            }
            Err(error) => {
                if !std::mem::replace(&mut self.failing, true) {
                    tracing::error!(%error, "the record cannot be written; all is kept in memory until it can");
                }
                events.extend(token.map(|token| LedgerEvent::Trouble(token, error)));
            }
        }
        events
    }

    fn write_held(&mut self) -> rusqlite::Result<()> {
        if self.held.is_empty() && self.asked.is_none() {
            return Ok(());
        }
        let (mut wall, mut counts) = (self.wall, self.counts);
        let mut left_out = Vec::new();
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut tables =
            Tables { transaction: &transaction, boot: self.boot, wall: &mut wall, counts: &mut counts };
        for entry in &self.held.entries {
            left_out.extend(tables.write_or_leave_out(entry)?);
        }
        for Light { sensor, samples, dropped } in &mut self.held.light {
            let samples = samples.make_contiguous();
            tables.light(sensor, samples)?;
            if let (Some(dose), [first, second, ..]) = (dropped, &*samples) {
                tables.gap(sensor, first.at, second.at, dose)?;
            }
        }
        #[cfg(test)]
        self.disk.commits()?;
        transaction.commit()?;
        self.wall = wall;
        self.left_out = left_out;
        if counts != std::mem::replace(&mut self.counts, counts) && !self.is_without_file {
            counts.keep_beside(&self.path);
        }
        Ok(())
    }

    fn log_length(&self) -> u64 {
        std::fs::metadata(&self.log).map_or(0, |log| log.len())
    }

    /// Copies the log into the file and begins it anew, which takes four syncs. Not while the
    /// record is read: it is tried again when the log is longer.
    fn checkpoint(&mut self, length: u64) {
        let begun_anew = self.try_checkpoint().unwrap_or_else(|error| {
            tracing::debug!(%error, "the record's log is not copied into it");
            false
        });
        self.checkpoint_at = if begun_anew { LONGEST_LOG } else { length + LONGEST_LOG };
    }

    fn try_checkpoint(&mut self) -> rusqlite::Result<bool> {
        self.connection.busy_timeout(Duration::ZERO)?;
        let checkpoint = "PRAGMA wal_checkpoint(TRUNCATE)";
        let is_busy = self.connection.query_row(checkpoint, [], |row| row.get::<_, bool>(0));
        self.connection.busy_timeout(schema::BUSY)?;
        if is_busy? {
            return Ok(false);
        }
        // The first commit in a new log has a sync more than others: let it not be a signal's.
        let version = schema::version(&self.connection)?;
        self.connection.pragma_update(None, "user_version", version)?;
        Ok(true)
    }
}

/// Makes a connection ready to write, and keeps this boot unless it is known; gives its row.
fn begin(connection: &Connection, boot: &Boot, known: Option<i64>) -> rusqlite::Result<i64> {
    // A checkpoint within a commit would keep a signal waiting: see `checkpoint`.
    connection.pragma_update(None, "wal_autocheckpoint", 0)?;
    connection.execute(
        "INSERT INTO boot (id, kernel, offset_ms, synced) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (id) DO NOTHING",
        params![known, boot.id, offset_ms(boot.wall), boot.wall.synchronised],
    )?;
    Ok(known.unwrap_or_else(|| connection.last_insert_rowid()))
}

/// The wall of a boot as the ledger has it, until an [`Entry::Wall`] comes: it
/// may have been right before a restart and have lost the network since, or run
/// at the pace of a fast rig.
fn kept_wall(connection: &Connection, row: i64) -> rusqlite::Result<WallAnchor> {
    connection.query_row("SELECT offset_ms, synced FROM boot WHERE id = ?1", [row], |row| {
        Ok(WallAnchor { mono: Mono::default(), unix_ms: row.get(0)?, synchronised: row.get(1)? })
    })
}

/// What to add to monotonic milliseconds for the wall's.
pub(super) fn offset_ms(wall: WallAnchor) -> i64 {
    wall.unix_ms_at(Mono::default())
}

/// One transaction.
struct Tables<'a> {
    transaction: &'a Transaction<'a>,
    boot: i64,
    wall: &'a mut WallAnchor,
    counts: &'a mut Counts,
}

impl Tables<'_> {
    /// What the tables do not take (a NaN, a name given twice) must not keep
    /// the rest from being written for ever. Returns the print and the reason of what is left out.
    fn write_or_leave_out(&mut self, entry: &Entry) -> rusqlite::Result<Option<(Option<String>, String)>> {
        match self.write(entry) {
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) => {
                tracing::error!(?entry, %error, "the record does not take this; it is left out");
                Ok(Some((entry.print().map(str::to_owned), error.to_string())))
            }
            written => written.map(|()| None),
        }
    }

    fn write(&mut self, entry: &Entry) -> rusqlite::Result<()> {
        match entry {
            Entry::Light { .. } => Ok(()),
            Entry::Wall(wall) => self.wall(*wall),
            Entry::Knot { sensor, knot, responses } => self.knot(sensor, knot, responses),
            Entry::Print(print) => self.print(print),
            Entry::Event(event) => self.event(event),
            Entry::Settled { print, seq, counted, plain } => {
                self.settled(print, *seq, counted, plain.as_ref())
            }
            Entry::Gap { sensor, from, to, dose } => self.gap(sensor, *from, *to, dose),
            Entry::Torn(outage) => outages::keep(self.transaction, self.boot, outage),
            Entry::OutageSettled { sensor, after_boot, settled_ms } => {
                outages::settle(self.transaction, sensor, *after_boot, *settled_ms)
            }
            Entry::OutageReopened { sensor, to } => self.forget_gap(sensor, *to),
            Entry::Note { print, note, at, with_dose } => self.note(print, note, *at, *with_dose),
            Entry::Judgement { print, judgement } => judgement.keep(self.transaction, print),
            Entry::Signal(row) => self.run(
                "INSERT INTO outbox (id, frame, payload) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
                params![row.id, row.frame, row.payload],
            ),
            Entry::Reminded { print } => {
                self.run("UPDATE print SET reminded = 1 WHERE id = ?1", params![print])
            }
            Entry::Sent { id } => self.run("DELETE FROM outbox WHERE id = ?1", params![id]),
            Entry::AtBroker(at_broker) => self.meta(AT_BROKER, &serde_json::json!(at_broker)),
            Entry::ClearSky(amplitude) => self.meta(CLEAR_SKY, &serde_json::json!(amplitude.w_m2())),
            Entry::Answered { id, answer } => {
                self.run(
                    "INSERT INTO answered (id, answer) VALUES (?1, ?2)
                     ON CONFLICT (id) DO UPDATE SET answer = excluded.answer",
                    params![id, answer.to_string()],
                )?;
                self.run(
                    "DELETE FROM answered WHERE seq <= (SELECT max(seq) FROM answered) - ?1",
                    params![ANSWERS_KEPT as i64],
                )
            }
        }
    }

    fn meta(&self, key: &str, value: &serde_json::Value) -> rusqlite::Result<()> {
        self.run(
            "INSERT INTO meta (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2",
            params![key, value.to_string()],
        )
    }

    fn run(&self, sql: &str, params: impl rusqlite::Params) -> rusqlite::Result<()> {
        self.transaction.prepare_cached(sql)?.execute(params).map(|_| ())
    }

    fn wall(&mut self, wall: WallAnchor) -> rusqlite::Result<()> {
        // A clock that was right once is not believed less for having lost the network.
        if !wall.synchronised && self.wall.synchronised {
            return Ok(());
        }
        *self.wall = wall;
        let offset = offset_ms(wall);
        self.run(
            "UPDATE boot SET offset_ms = ?2, synced = ?3 WHERE id = ?1",
            params![self.boot, offset, wall.synchronised],
        )?;
        if wall.synchronised {
            // A clock can claim to be right, be wrong by decades, and be put right later: labels
            // follow it, but not its small corrections.
            for table in ["event", "note"] {
                let sql = format!(
                    "UPDATE {table} SET at_ms = at_ns / 1000000 + ?2, synced = 1
                     WHERE boot = ?1 AND (synced = 0 OR abs(at_ms - at_ns / 1000000 - ?2) > ?3)"
                );
                self.run(&sql, params![self.boot, offset, WALL_STEP_MS as i64])?;
            }
        }
        Ok(())
    }

    fn sensor(&self, name: &str) -> rusqlite::Result<i64> {
        let find = "SELECT id FROM sensor WHERE name = ?1";
        let found = self.transaction.prepare_cached(find)?.query_row([name], |row| row.get(0)).optional()?;
        if let Some(id) = found {
            return Ok(id);
        }
        self.run("INSERT INTO sensor (name) VALUES (?1)", params![name])?;
        Ok(self.transaction.last_insert_rowid())
    }

    fn knot(&self, sensor: &str, knot: &Knot, responses: &[(Response, Estimate)]) -> rusqlite::Result<()> {
        let id = self.sensor(sensor)?;
        let total = &knot.total;
        self.run(
            "UPDATE sensor SET boot = ?2, at_ns = ?3, w_m2 = ?4, is_bound = ?5, best = ?6, low = ?7, high = ?8
             WHERE id = ?1",
            params![
                id,
                self.boot,
                knot.at.nanos(),
                knot.seen.lowest().w_m2(),
                knot.seen.is_bound(),
                total.best.j_m2(),
                total.low.j_m2(),
                total.high.j_m2()
            ],
        )?;
        self.run("DELETE FROM response WHERE sensor = ?1", params![id])?;
        for (response, total) in responses {
            self.run(
                "INSERT INTO response (sensor, exponent, reference, best, low, high)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![
                    id,
                    response.exponent(),
                    response.reference().w_m2(),
                    total.best.j_m2(),
                    total.low.j_m2(),
                    total.high.j_m2()
                ],
            )?;
        }
        Ok(())
    }

    fn print(&mut self, print: &NewPrint) -> rusqlite::Result<()> {
        let reference = (!print.response.is_plain()).then(|| print.response.reference().w_m2());
        let plan: Vec<f64> = print.plan.doses().iter().map(|dose| dose.dose().j_m2()).collect();
        self.run(
            "INSERT INTO print (id, frame, sensor, glass, source, recipe, negative, note, plan, calibration,
                                factor, exponent, reference, recipe_version)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13,
                     (SELECT max(version) FROM recipe WHERE name = ?6))",
            params![
                &*print.id,
                print.frame,
                print.sensor,
                print.glass,
                print.source,
                print.recipe,
                print.negative,
                print.note,
                serde_json::json!(plan).to_string(),
                print.calibration,
                print.factor,
                print.response.exponent(),
                reference
            ],
        )?;
        self.counts.prints += 1;
        Ok(())
    }

    fn event(&mut self, event: &frameside_core::exposure::Event) -> rusqlite::Result<()> {
        let kind = serde_json::to_string(&event.kind)
            .map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
        let Counted { dose, total } = &event.counted;
        self.run(
            "INSERT INTO event (print, seq, kind, boot, at_ns, at_ms, synced, best, low, high,
                                total_best, total_low, total_high, settled)
             SELECT seq, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14 FROM print WHERE id = ?1",
            params![
                &*event.print,
                event.seq,
                kind,
                self.boot,
                event.at.nanos(),
                self.wall.unix_ms_at(event.at),
                self.wall.synchronised,
                dose.best.j_m2(),
                dose.low.j_m2(),
                dose.high.j_m2(),
                total.best.j_m2(),
                total.low.j_m2(),
                total.high.j_m2(),
                event.settled
            ],
        )?;
        // None where the print was left out.
        self.counts.events += self.transaction.changes();
        self.plain(&event.print, event.seq, event.plain.as_ref())?;
        match event.kind {
            EventKind::Outage { after_boot, missed, plain, .. } => {
                let before = self.missed_before(&event.print, event.seq, after_boot)?;
                let more = |now: Estimate, before: Estimate| now.plus(before.scaled(-1.0));
                let more = Totals { own: more(missed, before.own), plain: more(plain, before.plain) };
                self.restate(&event.print, event.seq, after_boot, &more)
            }
            _ => Ok(()),
        }
    }

    /// What a print was said to have missed after a boot, before a wrong clock was put right.
    fn missed_before(&self, print: &str, before_seq: u32, after_boot: i64) -> rusqlite::Result<Totals> {
        let find = "SELECT kind FROM event
                    WHERE print = (SELECT seq FROM print WHERE id = ?1) AND seq < ?2 ORDER BY seq DESC";
        let mut select = self.transaction.prepare_cached(find)?;
        let mut rows = select.query(params![print, before_seq])?;
        while let Some(row) = rows.next()? {
            if let Ok(EventKind::Outage { after_boot: boot, missed, plain, .. }) =
                serde_json::from_str(row.get_ref(0)?.as_str()?)
                && boot == after_boot
            {
                return Ok(Totals { own: missed, plain });
            }
        }
        Ok(Totals { own: Estimate::ZERO, plain: Estimate::ZERO })
    }

    /// What was kept of a print since a boot ended was without what it missed then, or as much
    /// of it as is known now.
    fn restate(
        &self,
        print: &str,
        before_seq: u32,
        after_boot: i64,
        missed: &Totals,
    ) -> rusqlite::Result<()> {
        let find = "SELECT glass * factor, exponent, reference FROM print WHERE id = ?1";
        let (glass, response) = self
            .transaction
            .prepare_cached(find)?
            .query_row([print], |row| Ok((row.get::<_, f64>(0)?, super::recovery::response(row, 1)?)))?;
        let (own, plain) = (missed.own.scaled(response.of_factor(glass)), missed.plain.scaled(glass));
        self.run(
            "UPDATE event SET best = best + ?4, low = low + ?5, high = high + ?6,
                    plain_best = plain_best + ?7, plain_low = plain_low + ?8, plain_high = plain_high + ?9
             WHERE print = (SELECT seq FROM print WHERE id = ?1) AND seq < ?2 AND boot > ?3",
            params![
                print,
                before_seq,
                after_boot,
                own.best.j_m2(),
                own.low.j_m2(),
                own.high.j_m2(),
                plain.best.j_m2(),
                plain.low.j_m2(),
                plain.high.j_m2()
            ],
        )
    }

    fn settled(
        &self,
        print: &str,
        seq: u32,
        counted: &Counted,
        plain: Option<&Counted>,
    ) -> rusqlite::Result<()> {
        let set = "UPDATE event SET best = ?3, low = ?4, high = ?5,
                          total_best = ?6, total_low = ?7, total_high = ?8, settled = 1
                   WHERE print = (SELECT seq FROM print WHERE id = ?1) AND seq = ?2";
        self.set_figures(set, print, seq, counted)?;
        self.plain(print, seq, plain)
    }

    /// The plain dose at an event of a print that counts otherwise.
    fn plain(&self, print: &str, seq: u32, plain: Option<&Counted>) -> rusqlite::Result<()> {
        let Some(plain) = plain else { return Ok(()) };
        let set = "UPDATE event SET plain_best = ?3, plain_low = ?4, plain_high = ?5,
                          plain_total_best = ?6, plain_total_low = ?7, plain_total_high = ?8
                   WHERE print = (SELECT seq FROM print WHERE id = ?1) AND seq = ?2";
        self.set_figures(set, print, seq, plain)
    }

    /// Runs an update of an event's dose (?3 to ?5) and integral (?6 to ?8).
    fn set_figures(
        &self,
        set: &str,
        print: &str,
        seq: u32,
        Counted { dose, total }: &Counted,
    ) -> rusqlite::Result<()> {
        self.run(
            set,
            params![
                print,
                seq,
                dose.best.j_m2(),
                dose.low.j_m2(),
                dose.high.j_m2(),
                total.best.j_m2(),
                total.low.j_m2(),
                total.high.j_m2()
            ],
        )
    }

    fn gap(&self, sensor: &str, from: Mono, to: Mono, dose: &Estimate) -> rusqlite::Result<()> {
        let id = self.sensor(sensor)?;
        self.run(
            "INSERT INTO gap (sensor, boot, from_ns, to_ns, best, low, high) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![id, self.boot, from.nanos(), to.nanos(), dose.best.j_m2(), dose.low.j_m2(), dose.high.j_m2()],
        )
    }

    fn forget_gap(&self, sensor: &str, to: Mono) -> rusqlite::Result<()> {
        let id = self.sensor(sensor)?;
        // To a millisecond: where it ends was computed from seconds.
        self.run(
            "DELETE FROM gap WHERE sensor = ?1 AND boot = ?2 AND abs(to_ns - ?3) < 1000000",
            params![id, self.boot, to.nanos()],
        )
    }

    fn note(&self, print: &str, note: &Note, at: Mono, with_dose: bool) -> rusqlite::Result<()> {
        let Note { text, tone, step, seconds } = note;
        self.run(
            "INSERT INTO note (print, event_seq, tone, text, boot, at_ns, at_ms, synced, step, seconds)
             SELECT seq, CASE WHEN ?2 THEN
                        (SELECT max(event.seq) FROM event
                         WHERE event.print = print.seq AND kind = '{\"kind\":\"noted\"}') END,
                    ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10
             FROM print WHERE id = ?1",
            params![
                print,
                with_dose,
                tone,
                text,
                self.boot,
                at.nanos(),
                self.wall.unix_ms_at(at),
                self.wall.synchronised,
                step,
                seconds
            ],
        )
    }

    /// Keeps new samples of a sensor, and packs its open chunks once they have
    /// become many, or nothing is added to them any more.
    fn light(&self, sensor: &str, samples: &[Sample]) -> rusqlite::Result<()> {
        let id = self.sensor(sensor)?;
        self.chunks("open_light", id, self.boot, Codec::Open, samples)?;
        let open: Vec<(i64, i64)> = self
            .transaction
            .prepare_cached("SELECT boot, sum(n) FROM open_light WHERE sensor = ?1 GROUP BY boot")?
            .query_map([id], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        for (boot, _) in open.into_iter().filter(|&(boot, n)| n >= PACK_AT || boot != self.boot) {
            self.pack(id, boot)?;
        }
        Ok(())
    }

    /// Adds samples to a table, in one chunk unless they are very many.
    fn chunks(
        &self,
        table: &str,
        sensor: i64,
        boot: i64,
        codec: Codec,
        samples: &[Sample],
    ) -> rusqlite::Result<()> {
        let sql = format!(
            "INSERT INTO {table} (sensor, boot, from_ns, to_ns, n, codec, samples)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)"
        );
        for samples in samples.chunks(chunk::MOST_SAMPLES) {
            let (from, to) = (samples[0].at.nanos(), samples[samples.len() - 1].at.nanos());
            let bytes = chunk::encode(codec, samples);
            self.run(&sql, params![sensor, boot, from, to, samples.len() as i64, codec.number(), bytes])?;
        }
        Ok(())
    }

    fn pack(&self, sensor: i64, boot: i64) -> rusqlite::Result<()> {
        let mut samples = Vec::new();
        for (id, read) in self.open_chunks(sensor, boot)? {
            match read {
                Ok(read) => samples.extend(read),
                // Kept for whoever can still make something of it.
                Err(damaged) => {
                    tracing::error!(%damaged, "it is left out where light is packed");
                    self.run(
                        "INSERT INTO light (sensor, boot, from_ns, to_ns, n, codec, samples)
                         SELECT sensor, boot, from_ns, to_ns, n, 0, samples FROM open_light WHERE id = ?1",
                        params![id],
                    )?;
                }
            }
        }
        self.run("DELETE FROM open_light WHERE sensor = ?1 AND boot = ?2", params![sensor, boot])?;
        self.chunks("light", sensor, boot, Codec::Packed, &samples)
    }

    fn open_chunks(&self, sensor: i64, boot: i64) -> rusqlite::Result<Vec<OpenChunk>> {
        let mut select = self.transaction.prepare_cached(
            "SELECT id, n, from_ns, codec, samples FROM open_light
             WHERE sensor = ?1 AND boot = ?2 ORDER BY from_ns",
        )?;
        select
            .query_map(params![sensor, boot], |row| {
                let (count, from, codec) = (row.get(1)?, Mono::from_nanos(row.get(2)?), row.get(3)?);
                Ok((row.get(0)?, chunk::decode_row(codec, count, from, row.get_ref(4)?.as_blob()?)))
            })?
            .collect()
    }
}

/// The row of a chunk, and what is in it.
type OpenChunk = (i64, Result<Vec<Sample>, chunk::Damaged>);
