//! What can happen to the file of the record from outside, with the daemon running or stopped.

use frameside_tests::Site;
use rusqlite::Connection;
use serde_json::Value;

use crate::yard::{expose, frame, json_of, refused, site};

/// A connection of another program.
fn sqlite(site: &Site) -> Connection {
    Connection::open(site.path("ledger.sqlite")).unwrap()
}

#[test]
fn a_second_daemon_on_a_record_is_refused() {
    let site = site(60, None);
    let daemon = site.run();
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    let other = site.path("other.toml");
    std::fs::write(&other, config.replace("frameside.sock", "other.sock")).unwrap();
    let (code, said) = refused(&site.frameside(["run", "--config", other.to_str().unwrap()]));
    assert_eq!((code, said.lines().count()), (1, 1), "{said}");
    assert!(said.contains("another daemon keeps the record") && said.contains("[ledger] path"), "{said}");
    // A lock that outlives its process would keep the next one out.
    daemon.kill9();
    assert!(site.run().terminate().success());
}

#[test]
fn what_the_record_refuses_is_no_ok() {
    let site = site(60, None);
    let _daemon = site.run();
    let print = expose(&site, "oak", "500kJ/m2");
    sqlite(&site)
        .execute_batch(
            "CREATE TRIGGER refuse BEFORE INSERT ON event WHEN NEW.kind LIKE '%covered%'
             BEGIN SELECT RAISE(ABORT, 'not this one'); END",
        )
        .unwrap();
    let (code, said) = refused(&site.frameside(["cover", "oak"]));
    assert_eq!(code, 1, "{said}");
    assert!(said.contains(&format!("refused an entry of print {print}")), "{said}");
    assert!(said.contains("not this one"), "{said}");
    let troubles: Value = json_of(&site, &["status"])["troubles"].clone();
    assert!(troubles.to_string().contains("refused an entry"), "{troubles}");
    // Others are not kept out by it.
    sqlite(&site).execute_batch("DROP TRIGGER refuse").unwrap();
    expose(&site, "elm", "500kJ/m2");
    assert_eq!(frame(&site, "oak")["state"], "covered");
}
