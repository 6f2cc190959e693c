//! A disk that fails when a test says so.

use std::sync::atomic::{AtomicBool, AtomicI64, Ordering::SeqCst};
use std::sync::{Arc, Condvar, Mutex};

use super::Ledger;

/// What the writer's disk does. It is well unless told otherwise.
#[derive(Debug)]
pub(crate) struct Disk {
    full: AtomicBool,
    /// The process dies at the commit after so many more.
    commits_left: AtomicI64,
    /// Whether commits wait, and how many do.
    held: Mutex<(bool, u32)>,
    changed: Condvar,
}

impl Default for Disk {
    fn default() -> Self {
        Self {
            full: AtomicBool::new(false),
            commits_left: AtomicI64::new(i64::MAX),
            held: Mutex::default(),
            changed: Condvar::new(),
        }
    }
}

impl Disk {
    /// Refuses every commit from now on, or takes them again.
    pub(crate) fn set_full(&self, full: bool) {
        self.full.store(full, SeqCst);
    }

    /// Lets every commit wait from now on, as on a card that is stuck.
    pub(crate) fn hold(&self) {
        self.held.lock().unwrap().0 = true;
    }

    /// Waits until a commit waits.
    pub(crate) fn wait_for_a_commit(&self) {
        drop(self.changed.wait_while(self.held.lock().unwrap(), |(_, waiting)| *waiting == 0).unwrap());
    }

    /// Lets commits go on.
    pub(crate) fn release(&self) {
        self.held.lock().unwrap().0 = false;
        self.changed.notify_all();
    }

    /// Lets the process die at the commit after `commits` more; with none left
    /// nothing at all is written any more.
    pub(crate) fn dies_after(&self, commits: i64) {
        self.commits_left.store(commits, SeqCst);
    }

    pub(crate) fn is_gone(&self) -> bool {
        self.commits_left.load(SeqCst) <= 0
    }

    /// A commit is about to happen.
    pub(super) fn commits(&self) -> rusqlite::Result<()> {
        self.held.lock().unwrap().1 += 1;
        self.changed.notify_all();
        let mut held = self.changed.wait_while(self.held.lock().unwrap(), |(is_held, _)| *is_held).unwrap();
        held.1 -= 1;
        drop(held);
        let full = || rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_FULL);
        if self.full.load(SeqCst) {
            return Err(rusqlite::Error::SqliteFailure(full(), Some("a test's disk is full".to_owned())));
        }
        self.commits_left.fetch_sub(1, SeqCst);
        Ok(())
    }
}

impl Ledger {
    /// The disk under it.
    pub(crate) fn disk(&self) -> Arc<Disk> {
        Arc::clone(&self.disk)
    }

    /// The process dies: what waits for a commit is never written. Returns
    /// once the file is let go.
    pub(crate) fn die(mut self) {
        self.disk.dies_after(0);
        self.queue.end();
        if let Some(thread) = self.thread.take() {
            // How it ended makes no difference to the dead.
            let _ = thread.join();
        }
    }
}
