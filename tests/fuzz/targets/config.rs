//! A config file: read in full or refused with its mistakes, and read the same twice.
#![no_main]

use std::path::Path;

use frameside::config::{ConfigError, Env, read};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let env = || Env::new(|_| None, 1000);
    let file = Path::new("/etc/frameside/config.toml");
    match read(bytes, file, &env()) {
        Ok(config) => assert_eq!(read(bytes, file, &env()).as_ref().ok(), Some(&config)),
        Err(error) => {
            assert!(!error.to_string().is_empty());
            if let ConfigError::Wrong(problems) = error {
                assert!((1..=101).contains(&problems.len()), "{}", problems.len());
            }
        }
    }
});
