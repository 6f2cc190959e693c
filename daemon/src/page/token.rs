//! The token: who has it may command the rig over the page.
//!
//! 16 signs of an alphabet without look-alikes, 80 bits from the kernel, in a file beside
//! the ledger. Its group may read it, and no others: that is the group of the control
//! socket, whose members may command the rig anyway.

use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::hint::black_box;
use std::io::{self, Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};

/// Signs of a token.
const LENGTH: usize = 16;
/// Crockford's base 32: no i, l, o and u.
const ALPHABET: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
/// Signs in a row before a dash.
const GROUP: usize = 4;
/// A file longer than this, in bytes, holds something else.
const LONGEST_FILE: u64 = 200;
/// Read and written by its owner, read by its group.
const MODE: u32 = 0o640;

/// A token.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Token([u8; LENGTH]);

/// Why there is no token.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// The file cannot be read.
    #[error("the token of the page cannot be read from {path}: {source}; {}", help(.source))]
    Read {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// The file cannot be written.
    #[error("the token of the page cannot be kept in {path}: {source}; {}", help(.source))]
    Write {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// There is something else in it.
    #[error("{0} holds no token; 'frameside page token --new' makes one")]
    NotOne(PathBuf),
}

fn help(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::PermissionDenied => "use the daemon's user, with sudo -u, or root",
        io::ErrorKind::NotFound => "'frameside page token' makes one once the folder of the ledger is there",
        _ => "see to the folder of the ledger",
    }
}

impl Token {
    /// One that nobody knows.
    ///
    /// # Errors
    /// When the kernel has no random numbers.
    fn random() -> io::Result<Self> {
        let mut bytes = [0; LENGTH];
        // So few come whole or not at all: getrandom(2).
        rustix::rand::getrandom(&mut bytes, rustix::rand::GetRandomFlags::empty())?;
        Ok(Self(bytes.map(|byte| ALPHABET[usize::from(byte) % ALPHABET.len()])))
    }

    /// Reads a token as people type it: dashes, spaces and capitals do not matter, and
    /// look-alikes are taken for what they look like.
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        let signs = text.bytes().filter(|byte| !byte.is_ascii_whitespace() && *byte != b'-');
        let mut token = [0; LENGTH];
        let mut count = 0;
        for sign in signs {
            let sign = match sign.to_ascii_lowercase() {
                b'o' => b'0',
                b'i' | b'l' => b'1',
                sign => sign,
            };
            *token.get_mut(count).filter(|_| ALPHABET.contains(&sign))? = sign;
            count += 1;
        }
        (count == LENGTH).then_some(Self(token))
    }

    /// Whether it is the same, in a time that does not tell where they part.
    #[must_use]
    pub fn is(&self, other: &Self) -> bool {
        let parted = self.0.iter().zip(other.0).fold(0, |parted, (a, b)| black_box(parted | (a ^ b)));
        black_box(parted) == 0
    }
}

impl fmt::Display for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (number, group) in self.0.chunks(GROUP).enumerate() {
            let dash = if number > 0 { "-" } else { "" };
            write!(f, "{dash}{}", String::from_utf8_lossy(group))?;
        }
        Ok(())
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(hidden)")
    }
}

/// Where the token of a rig is, by its ledger.
#[must_use]
pub fn path(ledger: &Path) -> PathBuf {
    ledger.with_extension("page-token")
}

/// The token in a file.
///
/// # Errors
/// [`TokenError`] when there is none, or it cannot be read.
pub fn load(path: &Path) -> Result<Token, TokenError> {
    let failed = |source| TokenError::Read { path: path.to_owned(), source };
    let mut text = String::new();
    File::open(path).and_then(|file| file.take(LONGEST_FILE).read_to_string(&mut text)).map_err(failed)?;
    Token::read(&text).ok_or_else(|| TokenError::NotOne(path.to_owned()))
}

/// The token in a file; makes one where there is no file.
///
/// # Errors
/// [`TokenError`] when it cannot be read or made.
pub fn keep(path: &Path) -> Result<Token, TokenError> {
    match load(path) {
        Err(TokenError::Read { source, .. }) if source.kind() == io::ErrorKind::NotFound => renew(path),
        loaded => loaded,
    }
}

/// Puts a new token into a file; who has the old one may no more.
///
/// # Errors
/// [`TokenError`] when it cannot be made.
pub fn renew(path: &Path) -> Result<Token, TokenError> {
    let failed = |source| TokenError::Write { path: path.to_owned(), source };
    let token = Token::random().map_err(failed)?;
    write(path, token).map_err(failed)?;
    Ok(token)
}

/// In one step, so that nobody reads half of it.
fn write(path: &Path, token: Token) -> io::Result<()> {
    let unfinished = path.with_extension("page-token.new");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(MODE).open(&unfinished)?;
    file.set_permissions(fs::Permissions::from_mode(MODE))?;
    writeln!(file, "{token}")?;
    file.sync_all()?;
    if let Some(folder) = path.parent().filter(|_| rustix::process::geteuid().is_root()) {
        // Made by root, it is to be the daemon's all the same.
        let owner = fs::metadata(folder)?;
        chown(&unfinished, Some(owner.uid()), Some(owner.gid()))?;
    }
    fs::rename(&unfinished, path)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_token_is_made_once_kept_from_others_and_made_anew() {
        let folder = tempfile::tempdir().unwrap();
        let file = path(&folder.path().join("ledger.sqlite"));
        assert!(matches!(load(&file), Err(TokenError::Read { .. })));
        let first = keep(&file).unwrap();
        assert!(keep(&file).unwrap().is(&first), "the same again");
        assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o640);
        let second = renew(&file).unwrap();
        assert!(!second.is(&first) && load(&file).unwrap().is(&second));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside it");
        fs::write(&file, "hello\n").unwrap();
        assert!(keep(&file).unwrap_err().to_string().ends_with("makes one"), "nothing of others is lost");
    }

    #[test]
    fn a_token_is_read_as_it_is_typed() {
        let token = Token::read("0123-4567-89ab-cdef").unwrap();
        assert_eq!(token.to_string(), "0123-4567-89ab-cdef");
        assert_eq!(format!("{token:?}"), "Token(hidden)");
        assert!(Token::read(" O1234 56789ABCDEFG").is_none(), "one too many");
        assert!(Token::read(" OI23 456789ABCDEF\n").unwrap().is(&token));
        for text in ["", "0123-4567-89ab-cde", "0123-4567-89ab-cdeu", "0123456789abcdéf"] {
            assert!(Token::read(text).is_none(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn only_the_token_is_the_token(a in "[0-9a-hjkmnp-tv-z]{16}", at in 0_usize..16, text in "\\PC{0,40}") {
            let token = Token::read(&a).unwrap();
            prop_assert!(Token::read(&token.to_string()).unwrap().is(&token));
            let mut other = token;
            other.0[at] = if other.0[at] == b'0' { b'1' } else { b'0' };
            prop_assert!(!other.is(&token));
            let _ = Token::read(&text);
        }
    }
}
