//! A line of the control socket.
#![no_main]

use frameside::request::Request;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|line: &[u8]| {
    if let Ok(request) = Request::from_json(line) {
        assert_eq!(Request::from_json(request.to_json().as_bytes()).as_ref(), Ok(&request));
    }
});
