//! Prints that wait to be judged.

use frameside_core::quantity::Dose;
use rusqlite::{Connection, params};

/// A print that came in a while ago and that nobody has judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Unjudged {
    /// Its name.
    pub print: String,
    /// The frame it lay in.
    pub frame: String,
    /// What it was brought in with.
    pub dose: Dose,
    /// What it aimed at.
    pub target: Dose,
    /// Whether it is a test strip.
    pub is_strip: bool,
}

/// Those brought in before a wall time that were not told of yet, oldest first.
pub(super) fn waiting(connection: &Connection, before_ms: i64) -> rusqlite::Result<Vec<Unjudged>> {
    let sql = r#"SELECT id, frame, plan, event.best,
                        (SELECT json_extract(retarget.kind, '$.target') FROM event AS retarget
                         WHERE retarget.print = print.seq AND retarget.kind LIKE '{"kind":"retargeted"%'
                         ORDER BY retarget.seq DESC LIMIT 1)
                 FROM print JOIN event ON event.print = print.seq AND event.kind = '{"kind":"brought-in"}'
                 WHERE reminded = 0 AND event.at_ms <= ?1 AND print.seq NOT IN (SELECT print FROM judgement)
                 ORDER BY print.seq"#;
    let mut select = connection.prepare_cached(sql)?;
    let rows = select.query_map(params![before_ms], |row| {
        let plan: Vec<f64> = serde_json::from_str(&row.get::<_, String>(2)?).unwrap_or_default();
        let target: Option<f64> = row.get(4)?;
        Ok(Unjudged {
            print: row.get(0)?,
            frame: row.get(1)?,
            dose: Dose::from_j_m2(row.get(3)?),
            target: Dose::from_j_m2(target.or(plan.last().copied()).unwrap_or_default()),
            is_strip: plan.len() > 1,
        })
    })?;
    rows.collect()
}
