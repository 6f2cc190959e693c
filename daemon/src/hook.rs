//! A program of the user's that is run on each signal: to ring a phone, say.
//!
//! It is started as it is named, never through a shell, so that no text can
//! become a command. The service never waits for it.

use std::io::Write;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process_group};

use crate::mqtt::SignalPayload;

/// A run that takes longer is ended, and whatever it has started with it.
const PATIENCE: Duration = Duration::from_secs(30);
/// Runs at once; a signal that comes while so many go on is told without it.
const MOST_AT_ONCE: usize = 8;
/// How often a run is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// The program and its first arguments.
#[derive(Debug)]
pub struct Hook {
    argv: Vec<String>,
    patience: Duration,
    /// Each run holds one more.
    runs: Arc<()>,
}

/// Why a run came to nothing.
#[derive(Debug, thiserror::Error)]
enum HookError {
    #[error("it does not start: {0}")]
    Start(std::io::Error),
    #[error("it was not done after {0:?} and was ended")]
    TooLong(Duration),
    #[error("it failed with {0}")]
    Failed(ExitStatus),
}

impl Hook {
    /// A hook of a program with its arguments, of which there is at least the
    /// program.
    #[must_use]
    pub fn new(argv: Vec<String>) -> Self {
        Self { argv, patience: PATIENCE, runs: Arc::default() }
    }

    /// Runs the program on a thread of its own, with the signal's kind, frame,
    /// print and text as further arguments and the whole as JSON on its standard
    /// input. Does not wait.
    pub fn call(&self, signal: &SignalPayload) {
        if Arc::strong_count(&self.runs) > MOST_AT_ONCE {
            tracing::warn!(
                kind = signal.kind,
                "{MOST_AT_ONCE} runs of the hook go on already; it is left out"
            );
            return;
        }
        let (run, signal) = (self.run_of(signal), signal.clone());
        let (running, patience) = (Arc::clone(&self.runs), self.patience);
        let started = std::thread::Builder::new().name("hook".into()).spawn(move || {
            if let Err(error) = carry_out(run, &signal.to_json(), patience) {
                tracing::warn!(kind = signal.kind, frame = signal.frame, "the hook: {error}");
            }
            drop(running);
        });
        if let Err(error) = started {
            tracing::warn!("no thread for the hook: {error}");
        }
    }

    fn run_of(&self, signal: &SignalPayload) -> Command {
        let (program, arguments) =
            self.argv.split_first().expect("the config has checked that it names a program");
        let mut run = Command::new(program);
        run.args(arguments).args([&signal.kind, &signal.frame, &signal.print, &signal.text]);
        // What it says of its troubles goes to the log of the daemon.
        run.stdin(Stdio::piped()).stdout(Stdio::null()).process_group(0);
        run
    }
}

fn carry_out(mut run: Command, json: &str, patience: Duration) -> Result<(), HookError> {
    let mut child = run.spawn().map_err(HookError::Start)?;
    if let Some(mut stdin) = child.stdin.take() {
        // Short enough for any pipe, so that this does not wait. A program that does not read is no trouble.
        let _ = writeln!(stdin, "{json}");
    }
    let deadline = Instant::now() + patience;
    while Instant::now() < deadline {
        match child.try_wait().map_err(HookError::Start)? {
            Some(status) if status.success() => return Ok(()),
            Some(status) => return Err(HookError::Failed(status)),
            None => std::thread::sleep(LOOK_EVERY),
        }
    }
    end(&mut child);
    Err(HookError::TooLong(patience))
}

/// Ends a run and what it has started.
fn end(child: &mut Child) {
    // It may have ended by itself just now.
    let _ = kill_process_group(Pid::from_child(child), Signal::KILL);
    let _ = child.wait();
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signal(text: &str) -> SignalPayload {
        SignalPayload {
            id: "1".into(),
            kind: "due".into(),
            event_type: "due".into(),
            rig: "yard".into(),
            frame: "oak".into(),
            print: "2026-07-14-oak-1".into(),
            at: "2026-07-14T10:21:09+02:00".into(),
            dose_j_m2: 15_000.0,
            target_j_m2: 15_000.0,
            text: text.into(),
        }
    }

    fn run(argv: &[&str], text: &str, patience_ms: u64) -> Result<(), HookError> {
        let hook = Hook::new(argv.iter().map(|&arg| arg.to_owned()).collect());
        let signal = signal(text);
        carry_out(hook.run_of(&signal), &signal.to_json(), Duration::from_millis(patience_ms))
    }

    #[test]
    fn it_gets_the_facts_as_they_are() {
        let folder = tempfile::TempDir::new().unwrap();
        let file = folder.path().join("told");
        // The shell is the program here; what follows its script comes as $0, $1 and so on.
        let script = "printf '%s|' \"$@\" >\"$0\"; cat >>\"$0\"";
        let odd = "$(touch owned); `id` \"'\n";
        run(&["sh", "-c", script, file.to_str().unwrap(), "printmaker"], odd, 10_000).unwrap();
        let told = std::fs::read_to_string(file).unwrap();
        let expected = format!("printmaker|due|oak|2026-07-14-oak-1|{odd}|{}\n", signal(odd).to_json());
        assert_eq!(told, expected);
    }

    #[test]
    fn what_goes_wrong_is_told() {
        let error = |argv: &[&str]| run(argv, "", 10_000).unwrap_err().to_string();
        assert!(error(&["/no/such/program"]).starts_with("it does not start: No such file"));
        assert_eq!(error(&["sh", "-c", "exit 3"]), "it failed with exit status: 3");
        assert!(run(&["true"], &"x".repeat(4000), 10_000).is_ok(), "it need not read");
    }

    #[test]
    fn a_run_that_hangs_is_ended_with_what_it_started() {
        let folder = tempfile::TempDir::new().unwrap();
        let file = folder.path().join("child");
        let script = "sleep 1000 & echo $! >\"$0\"; wait";
        let error = run(&["sh", "-c", script, file.to_str().unwrap()], "", 5000).unwrap_err();
        assert_eq!(error.to_string(), "it was not done after 5s and was ended");
        let child = std::fs::read_to_string(file).unwrap();
        let state = || std::fs::read_to_string(format!("/proc/{}/stat", child.trim()));
        // The kernel ends it when it gets to it; on its own it would go on for long.
        while state().is_ok_and(|state| !state.contains(") Z")) {
            std::thread::sleep(LOOK_EVERY);
        }
    }

    #[test]
    fn no_more_than_a_few_run_at_once_and_nobody_waits() {
        let folder = tempfile::TempDir::new().unwrap();
        let script = "echo x >>\"$0\"; while [ -e \"$0.wait\" ]; do sleep 0.05; done";
        let file = folder.path().join("runs");
        let gate = folder.path().join("runs.wait");
        std::fs::write(&gate, "").unwrap();
        let hook = Hook::new(["sh", "-c", script, file.to_str().unwrap()].map(str::to_owned).into());
        for _ in 0..3 * MOST_AT_ONCE {
            hook.call(&signal(""));
        }
        let runs = || std::fs::read_to_string(&file).unwrap_or_default().lines().count();
        while runs() < MOST_AT_ONCE {
            std::thread::sleep(LOOK_EVERY);
        }
        assert_eq!((runs(), Arc::strong_count(&hook.runs)), (MOST_AT_ONCE, MOST_AT_ONCE + 1));
        std::fs::remove_file(gate).unwrap();
        while Arc::strong_count(&hook.runs) > 1 {
            std::thread::sleep(LOOK_EVERY);
        }
        assert_eq!(runs(), MOST_AT_ONCE);
    }
}
