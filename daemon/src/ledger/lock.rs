//! One daemon for each record: a lock that the system drops when the process ends, however it
//! ends.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

use super::{LedgerError, with_ending};

/// No other process can take the lock of the record as long as this lives.
#[derive(Debug)]
pub struct Lock {
    _file: Option<File>,
}

impl Lock {
    /// Locks a file beside the record. Where none can be made (a read-only file system) the
    /// record itself is locked; without a record either there is nothing to share.
    ///
    /// # Errors
    /// [`LedgerError::InUse`] when another process has it.
    pub fn take(record: &Path) -> Result<Self, LedgerError> {
        let beside = with_ending(record, ".lock");
        let made = OpenOptions::new().write(true).create(true).truncate(false).open(&beside);
        let opened = made.or_else(|_| File::open(&beside)).or_else(|_| File::open(record));
        let Ok(file) = opened else { return Ok(Self { _file: None }) };
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => Err(LedgerError::InUse(record.to_owned())),
            Err(TryLockError::Error(error)) => {
                tracing::warn!(%error, "whether another daemon keeps the record cannot be seen");
                Ok(Self { _file: None })
            }
            Ok(()) => Ok(Self { _file: Some(file) }),
        }
    }
}
