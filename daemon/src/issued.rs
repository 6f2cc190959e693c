//! When a command from afar was issued, and whether that is recent enough.
//!
//! Over the broker and the page a command may be hours on its way. What begins, uncovers or
//! retargets, and so may light a lamp, has to say when it was issued. `cover` and `bring-in` may
//! leave it out; they count as of the instant they arrive.

use jiff::Timestamp;
use serde_json::{Map, Value};

use crate::request::Request;

/// A command this old is refused, in milliseconds.
const STALE_MS: i64 = 5_000;
/// One from further ahead on the rig's clock is, too.
const AHEAD_MS: i64 = 2_000;
/// Longest id of a command, in bytes.
const LONGEST_ID: usize = 100;

/// A request from afar, and when it was issued.
#[derive(Debug, Clone, PartialEq)]
pub struct Issued {
    /// What is asked.
    pub request: Request,
    /// By the sender's clock; `None` where it does not say.
    pub at: Option<Timestamp>,
}

/// Why a command is not carried out for the time it was issued at, or its id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IssuedError {
    /// The id is not usable.
    #[error("\"id\" must be a text of 1 to {LONGEST_ID} bytes")]
    Id,
    /// The time is not one.
    #[error("\"issued_at\" must be a time with its offset, such as \"2026-07-14T10:21:09+02:00\"")]
    Time,
    /// It does not say when.
    #[error(
        "'{verb}' from afar needs \"issued_at\": a time with its offset, such as \"2026-07-14T10:21:09+02:00\""
    )]
    Undated {
        /// What was asked.
        verb: &'static str,
    },
    /// It was long on its way, or the clocks differ.
    #[error(
        "this '{verb}' was issued {seconds} s ago and is not done so late; look at the frame and send it again"
    )]
    Stale {
        /// What was asked.
        verb: &'static str,
        /// Its age.
        seconds: i64,
    },
    /// The clocks differ.
    #[error(
        "this '{verb}' was issued {seconds} s ahead of the rig's clock; set the clock that is wrong and send it again"
    )]
    Ahead {
        /// What was asked.
        verb: &'static str,
        /// By how much.
        seconds: i64,
    },
}

/// Takes the id of a command out of its fields.
///
/// # Errors
/// [`IssuedError::Id`]
pub(crate) fn take_id(fields: &mut Map<String, Value>) -> Result<Option<String>, IssuedError> {
    match fields.remove("id") {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(id)) if (1..=LONGEST_ID).contains(&id.len()) => Ok(Some(id)),
        Some(_) => Err(IssuedError::Id),
    }
}

/// Takes the time that a command was issued at out of its fields.
///
/// # Errors
/// [`IssuedError::Time`]
pub(crate) fn take_time(fields: &mut Map<String, Value>) -> Result<Option<Timestamp>, IssuedError> {
    match fields.remove("issued_at") {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(time)) => time.parse().map(Some).map_err(|_| IssuedError::Time),
        Some(_) => Err(IssuedError::Time),
    }
}

impl Issued {
    /// The request, if it is of now. `is_dated` is whether the rig's own clock tells the time;
    /// while it does not, every command counts as of now.
    ///
    /// # Errors
    /// [`IssuedError`]
    pub fn in_time(self, now_unix_ms: i64, is_dated: bool) -> Result<Request, IssuedError> {
        let verb = self.request.verb();
        let (counts, needs_time) = match &self.request {
            Request::Expose(_) | Request::Uncover { .. } | Request::Retarget { .. } => (true, true),
            Request::Cover { .. } | Request::BringIn { .. } => (true, false),
            Request::Status
            | Request::Prints { .. }
            | Request::Hush { .. }
            | Request::Note { .. }
            | Request::Judge { .. } => (false, false),
        };
        if !is_dated || !counts {
            return Ok(self.request);
        }
        let Some(at) = self.at else {
            return if needs_time { Err(IssuedError::Undated { verb }) } else { Ok(self.request) };
        };
        let age_ms = now_unix_ms.saturating_sub(at.as_millisecond());
        if age_ms > STALE_MS {
            return Err(IssuedError::Stale { verb, seconds: age_ms / 1000 });
        }
        if age_ms < -AHEAD_MS {
            return Err(IssuedError::Ahead { verb, seconds: age_ms.saturating_neg() / 1000 });
        }
        Ok(self.request)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW_MS: i64 = 1_784_017_269_000;

    fn issued(json: &str, age_ms: Option<i64>) -> Issued {
        let request = Request::from_json(json.as_bytes()).unwrap();
        let at = age_ms.map(|age| Timestamp::from_millisecond(NOW_MS - age).unwrap());
        Issued { request, at }
    }

    #[test]
    fn what_may_light_a_lamp_is_of_now_or_refused() {
        for json in [
            r#"{"do":"expose","frame":"oak","target":"15kJ/m2"}"#,
            r#"{"do":"uncover","frame":"oak"}"#,
            r#"{"do":"retarget","frame":"oak","target":"15kJ/m2"}"#,
        ] {
            let in_time = |age_ms, is_dated| issued(json, age_ms).in_time(NOW_MS, is_dated);
            for age_ms in [-2_000, 0, 5_000] {
                assert!(in_time(Some(age_ms), true).is_ok(), "{json} {age_ms}");
            }
            assert!(matches!(in_time(Some(5_001), true), Err(IssuedError::Stale { seconds: 5, .. })));
            assert!(matches!(in_time(Some(7_200_000), true), Err(IssuedError::Stale { seconds: 7200, .. })));
            assert!(matches!(in_time(Some(-2_001), true), Err(IssuedError::Ahead { seconds: 2, .. })));
            assert!(matches!(in_time(None, true), Err(IssuedError::Undated { .. })));
            for age_ms in [None, Some(7_200_000), Some(-7_200_000)] {
                assert!(in_time(age_ms, false).is_ok(), "the rig does not know the time");
            }
        }
    }

    #[test]
    fn a_cover_may_be_undated_and_not_late() {
        for json in [r#"{"do":"cover","frame":"oak"}"#, r#"{"do":"bring-in","frame":"oak"}"#] {
            let in_time = |age_ms| issued(json, age_ms).in_time(NOW_MS, true);
            assert!(in_time(None).is_ok() && in_time(Some(5_000)).is_ok());
            assert!(matches!(in_time(Some(45_000)), Err(IssuedError::Stale { seconds: 45, .. })));
        }
        assert!(issued(r#"{"do":"hush"}"#, Some(45_000)).in_time(NOW_MS, true).is_ok());
    }
}
