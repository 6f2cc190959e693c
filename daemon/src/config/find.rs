//! Where things are when nothing says so: the config file, the ledger, the socket.

use std::ffi::OsString;
use std::fmt;
use std::path::{Path, PathBuf};

use super::ConfigError;

type Lookup = dyn Fn(&str) -> Option<OsString>;

/// What the config needs to know of the process it is read in.
pub struct Env {
    var: Box<Lookup>,
    uid: u32,
}

impl Env {
    /// The environment and user of this process.
    #[must_use]
    pub fn of_process() -> Self {
        Self::new(|name| std::env::var_os(name), rustix::process::getuid().as_raw())
    }

    /// An environment as `var` tells it, for the user `uid`.
    pub fn new(var: impl Fn(&str) -> Option<OsString> + 'static, uid: u32) -> Self {
        Self { var: Box::new(var), uid }
    }

    /// A variable that is set and not empty.
    fn get(&self, name: &str) -> Option<OsString> {
        (self.var)(name).filter(|value| !value.is_empty())
    }

    /// A folder named by a variable; the XDG specification says that relative
    /// ones are to be ignored.
    fn folder(&self, name: &str) -> Option<PathBuf> {
        self.get(name).map(PathBuf::from).filter(|path| path.is_absolute())
    }

    /// An XDG folder, or its customary place under the home folder.
    fn xdg(&self, name: &str, under_home: &str) -> Option<PathBuf> {
        self.folder(name).or_else(|| Some(self.folder("HOME")?.join(under_home)))
    }

    /// A folder made by systemd for the service; the first where it made several.
    fn systemd(&self, name: &str) -> Option<PathBuf> {
        let folders = self.get(name)?;
        std::env::split_paths(&folders).next().filter(|path| path.is_absolute())
    }

    /// Where the ledger is unless the config says otherwise: `$STATE_DIRECTORY`,
    /// else `$XDG_STATE_HOME/frameside`, else `~/.local/state/frameside`.
    pub(super) fn ledger(&self) -> Option<PathBuf> {
        self.systemd("STATE_DIRECTORY")
            .or_else(|| Some(self.xdg("XDG_STATE_HOME", ".local/state")?.join("frameside")))
            .map(|folder| folder.join("ledger.sqlite"))
    }

    /// Where the control socket is unless the config says otherwise:
    /// `$RUNTIME_DIRECTORY`, else `$XDG_RUNTIME_DIR`, else a folder of the
    /// user's own under `/tmp`.
    pub(super) fn socket(&self) -> PathBuf {
        self.systemd("RUNTIME_DIRECTORY")
            .or_else(|| self.folder("XDG_RUNTIME_DIR"))
            .unwrap_or_else(|| PathBuf::from(format!("/tmp/frameside-{}", self.uid)))
            .join("frameside.sock")
    }
}

impl fmt::Debug for Env {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Env").field("uid", &self.uid).finish_non_exhaustive()
    }
}

/// Finds the config file: `named` on the command line, else
/// `$FRAMESIDE_CONFIG`, else `/etc/frameside/config.toml`, else
/// `$XDG_CONFIG_HOME/frameside/config.toml` (`~/.config` when that is not set).
/// A file named outright is taken without looking whether it is there, so
/// that a wrong name is an error and not another file.
///
/// # Errors
/// [`ConfigError::NotFound`] with the places looked at.
pub fn find(named: Option<&Path>, env: &Env) -> Result<PathBuf, ConfigError> {
    if let Some(file) = named.map(Path::to_owned).or_else(|| env.get("FRAMESIDE_CONFIG").map(PathBuf::from)) {
        return Ok(file);
    }
    let usual = usual_places(env);
    match usual.iter().find(|file| file.exists()) {
        Some(file) => Ok(file.clone()),
        None => Err(ConfigError::NotFound { looked: usual }),
    }
}

/// Where the config is looked for when nobody names it, in that order.
fn usual_places(env: &Env) -> Vec<PathBuf> {
    let own = env.xdg("XDG_CONFIG_HOME", ".config").map(|folder| folder.join("frameside/config.toml"));
    std::iter::once(PathBuf::from("/etc/frameside/config.toml")).chain(own).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn env(vars: &'static [(&'static str, &'static str)]) -> Env {
        Env::new(
            move |name| vars.iter().find(|(n, _)| *n == name).map(|(_, value)| OsString::from(value)),
            1000,
        )
    }

    #[test]
    fn a_named_file_is_taken_before_the_environment() {
        let env = env(&[("FRAMESIDE_CONFIG", "/b.toml")]);
        assert_eq!(find(Some(Path::new("a.toml")), &env).unwrap(), Path::new("a.toml"));
        assert_eq!(find(None, &env).unwrap(), Path::new("/b.toml"));
    }

    #[test]
    fn the_usual_places_in_their_order() {
        let etc = Path::new("/etc/frameside/config.toml");
        assert_eq!(usual_places(&env(&[])), [etc]);
        assert_eq!(
            usual_places(&env(&[("HOME", "/home/p")])),
            [etc, Path::new("/home/p/.config/frameside/config.toml")]
        );
        assert_eq!(
            usual_places(&env(&[("HOME", "/home/p"), ("XDG_CONFIG_HOME", "/x")])),
            [etc, Path::new("/x/frameside/config.toml")]
        );
    }

    #[test]
    fn ledger_and_socket_where_nothing_names_them() {
        let service = env(&[
            ("STATE_DIRECTORY", "/var/lib/frameside:/var/lib/b"),
            ("RUNTIME_DIRECTORY", "/run/frameside"),
        ]);
        assert_eq!(service.ledger().unwrap(), Path::new("/var/lib/frameside/ledger.sqlite"));
        assert_eq!(service.socket(), Path::new("/run/frameside/frameside.sock"));

        let desk =
            env(&[("STATE_DIRECTORY", ""), ("HOME", "/home/p"), ("XDG_RUNTIME_DIR", "/run/user/1000")]);
        assert_eq!(desk.ledger().unwrap(), Path::new("/home/p/.local/state/frameside/ledger.sqlite"));
        assert_eq!(desk.socket(), Path::new("/run/user/1000/frameside.sock"));

        let relative = env(&[("XDG_STATE_HOME", "state"), ("HOME", "/h")]);
        assert_eq!(relative.ledger().unwrap(), Path::new("/h/.local/state/frameside/ledger.sqlite"));

        let bare = env(&[]);
        assert_eq!(bare.ledger(), None);
        assert_eq!(bare.socket(), Path::new("/tmp/frameside-1000/frameside.sock"));
    }
}
