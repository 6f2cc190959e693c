//! The real binary: single commands, and the daemon in a directory of its own.

use std::ffi::OsString;
use std::fs::{File, OpenOptions};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use tempfile::TempDir;

use crate::{cargo, wait_for};

/// Far above what either takes on a busy machine.
const START_WITHIN: Duration = Duration::from_secs(60);
const END_WITHIN: Duration = Duration::from_secs(60);

/// Runs one command with no config of the machine in sight.
#[must_use]
pub fn frameside<S: AsRef<std::ffi::OsStr>>(args: impl IntoIterator<Item = S>) -> Output {
    command().args(args).output().unwrap()
}

/// The binary, without anything from the environment that would steer it.
fn command() -> Command {
    let mut command = Command::new(binary());
    for variable in
        ["FRAMESIDE_CONFIG", "XDG_CONFIG_HOME", "XDG_RUNTIME_DIR", "RUNTIME_DIRECTORY", "NOTIFY_SOCKET"]
    {
        command.env_remove(variable);
    }
    command.env("NO_COLOR", "1");
    command
}

/// The binary that `FRAMESIDE_BINARY` names, else the one next to this test's own profile,
/// built first, so that it is never stale.
fn binary() -> &'static Path {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(|| {
        if let Some(given) = std::env::var_os("FRAMESIDE_BINARY") {
            return given.into();
        }
        let test = std::env::current_exe().unwrap();
        let profile = test.ancestors().nth(2).expect("cargo puts tests into target/PROFILE/deps");
        let mut build = cargo();
        build.args(["build", "--quiet", "--package", "frameside"]);
        if profile.ends_with("release") {
            build.arg("--release");
        }
        assert!(build.status().unwrap().success(), "the binary does not build");
        profile.join("frameside")
    })
}

/// A directory with a config, a ledger and a socket; it outlives the daemons run in it.
pub struct Site {
    dir: TempDir,
    environment: Vec<(String, OsString)>,
}

impl Site {
    /// Writes the config. `{dir}` in it stands for the site's directory; ledger
    /// and socket are put there unless the config says where. Unless it says what makes the
    /// clock right, it vouches for it: whether a time service runs is up to the machine.
    #[must_use]
    pub fn new(config: &str) -> Self {
        let site = Self { dir: TempDir::new().unwrap(), environment: Vec::new() };
        site.configure(config);
        site
    }

    /// Writes another config, for the daemon's next start.
    pub fn configure(&self, config: &str) {
        let mut config = config.to_owned();
        if !config.contains("clock = ") {
            config = config.replacen("[rig]\n", "[rig]\nclock = \"battery\"\n", 1);
        }
        for (table, file) in [("[ledger]", "ledger.sqlite"), ("[socket]", "frameside.sock")] {
            if !config.contains(table) {
                config.push_str(&format!("\n{table}\npath = \"{{dir}}/{file}\"\n"));
            }
        }
        let config = config.replace("{dir}", self.dir.path().to_str().unwrap());
        std::fs::write(self.path("config.toml"), config).unwrap();
    }

    /// The same with more in the environment of each command.
    #[must_use]
    pub fn with_environment(mut self, environment: Vec<(&'static str, OsString)>) -> Self {
        let named = environment.into_iter().map(|(name, value)| (name.to_owned(), value));
        self.environment.extend(named);
        self
    }

    /// Sets a variable of the environment for what runs on this site from now on.
    pub fn set_variable(&mut self, name: &str, path: PathBuf) {
        self.environment.push((name.to_owned(), path.into()));
    }

    /// A file in the site's directory.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Runs one command on this site.
    #[must_use]
    pub fn frameside<S: AsRef<std::ffi::OsStr>>(&self, args: impl IntoIterator<Item = S>) -> Output {
        self.command().args(args).output().unwrap()
    }

    /// Starts one command on a terminal of its own, by the `script` of bsdutils; what is
    /// written to its standard input is typed, and its standard output is the screen.
    #[must_use]
    pub fn on_a_terminal(&self, args: &[&str]) -> Child {
        let command = self.command();
        let words = std::iter::once(command.get_program().to_str().unwrap()).chain(args.iter().copied());
        let line: Vec<String> = words.map(|word| format!("'{word}'")).collect();
        let mut script = Command::new("script");
        script.args(["-qec", &line.join(" "), "/dev/null"]);
        for (variable, value) in command.get_envs() {
            match value {
                Some(value) => script.env(variable, value),
                None => script.env_remove(variable),
            };
        }
        script.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap()
    }

    /// Starts the daemon and waits until its socket answers.
    ///
    /// # Panics
    ///
    /// With what it wrote to standard error, when it ends or does not answer.
    #[must_use]
    pub fn run(&self) -> Daemon {
        self.start(self.command())
    }

    /// The same under a program that takes the daemon's command line as its last
    /// arguments and becomes it.
    ///
    /// # Panics
    ///
    /// As [`Self::run`].
    #[must_use]
    pub fn run_under(&self, mut wrapper: Command) -> Daemon {
        let command = self.command();
        wrapper.arg(command.get_program());
        for (variable, value) in command.get_envs() {
            match value {
                Some(value) => wrapper.env(variable, value),
                None => wrapper.env_remove(variable),
            };
        }
        self.start(wrapper)
    }

    fn start(&self, mut command: Command) -> Daemon {
        let stderr = self.path("stderr");
        let append = OpenOptions::new().create(true).append(true).open(&stderr).unwrap();
        let stdout = File::create(self.path("stdout")).unwrap();
        let child = command.arg("run").stdout(stdout).stderr(append).spawn().unwrap();
        let mut daemon = Daemon { child, stderr };
        wait_for("the daemon's socket", START_WITHIN, || {
            if let Some(status) = daemon.child.try_wait().unwrap() {
                panic!("the daemon ended with {status}:\n{}", daemon.stderr());
            }
            self.frameside(["status", "--json"]).status.success().then_some(())
        });
        daemon
    }

    fn command(&self) -> Command {
        let mut command = command();
        command.env("FRAMESIDE_CONFIG", self.path("config.toml"));
        command.envs(self.environment.iter().map(|(name, value)| (name, value)));
        command
    }
}

/// A running daemon; killed when dropped.
pub struct Daemon {
    child: Child,
    stderr: PathBuf,
}

impl Daemon {
    /// Its process id.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// What the daemons of this site have written to standard error so far.
    #[must_use]
    pub fn stderr(&self) -> String {
        std::fs::read_to_string(&self.stderr).unwrap()
    }

    /// Ends it with SIGKILL, in the middle of whatever it does.
    pub fn kill9(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Asks it to end with SIGTERM and waits until it has.
    ///
    /// # Panics
    ///
    /// When it does not end in a minute.
    #[must_use]
    pub fn terminate(mut self) -> ExitStatus {
        // The shell's own kill: a bare Debian has no other.
        let sent = Command::new("sh").args(["-c", &format!("kill -TERM {}", self.pid())]).status().unwrap();
        assert!(sent.success(), "the daemon had ended before:\n{}", self.stderr());
        wait_for("the daemon's end after SIGTERM", END_WITHIN, || self.child.try_wait().unwrap())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
