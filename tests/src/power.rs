//! What is left of some files when the power goes.
//!
//! A process is watched by `strace`; its writes and syncs are then played again
//! up to any instant, with what was not synced kept, dropped or torn. A kill
//! proves nothing about that: the page cache outlives it.

use std::collections::BTreeMap;
use std::path::Path;

use crate::Chance;

/// The system calls to watch.
pub const CALLS: &str = "openat,write,writev,sendto,sendmsg,pwrite64,fsync,fdatasync,ftruncate,unlink";

/// What tears when the power goes, in bytes.
const SECTOR: usize = 512;

/// Something that the watched process did. Files are known by their names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Deed {
    /// A file was opened, and made if there was none.
    Create(String),
    /// Bytes were written at a place.
    Write(String, usize, Vec<u8>),
    /// A file was cut to a length.
    Truncate(String, usize),
    /// A file is on the disk.
    Sync(String),
    /// The folder's entries are on the disk.
    SyncFolder,
    /// A file was removed.
    Unlink(String),
    /// Something was told to somebody: what is not one of the files.
    Said(Vec<u8>),
}

/// Reads a trace of the files in `folder`, made by
/// `strace -f -y -xx -s 1000000 -e trace=`[`CALLS`].
#[must_use]
pub fn deeds(trace: &str, folder: &Path) -> Vec<Deed> {
    let mut unfinished: BTreeMap<&str, Deed> = BTreeMap::new();
    let mut deeds = Vec::new();
    for line in trace.lines() {
        let (pid, call) = line.split_once(' ').unwrap_or((line, ""));
        let call = call.trim_start();
        if call.starts_with("<... f") {
            // A sync counts once it has come back.
            deeds.extend(unfinished.remove(pid));
            continue;
        }
        let Some(deed) = deed(call, folder) else { continue };
        match deed {
            Deed::Sync(_) | Deed::SyncFolder if call.ends_with("<unfinished ...>") => {
                unfinished.insert(pid, deed);
            }
            deed => deeds.push(deed),
        }
    }
    deeds
}

fn deed(call: &str, folder: &Path) -> Option<Deed> {
    let (name, arguments) = call.split_once('(')?;
    let texts: Vec<Vec<u8>> = arguments.split('"').skip(1).step_by(2).map(bytes).collect();
    let number = |from_end: usize| -> Option<usize> {
        let inside = arguments.rsplit_once(')').map_or(arguments, |(inside, _)| inside);
        let inside = inside.trim_end_matches("<unfinished ...>").trim_end();
        inside.rsplit(", ").nth(from_end)?.parse().ok()
    };
    let of_descriptor = || {
        let path = arguments.split_once('<')?.1.split_once('>')?.0;
        String::from_utf8(bytes(path)).ok()
    };
    let inside = |path: &str| Path::new(path).strip_prefix(folder).ok()?.to_str().map(str::to_owned);
    let file = || inside(&of_descriptor()?).filter(|name| !name.is_empty() && !name.ends_with("-shm"));
    match name {
        "openat" if arguments.contains("O_CREAT") => {
            let path = String::from_utf8(texts.first()?.clone()).ok()?;
            inside(&path).filter(|name| !name.ends_with("-shm")).map(Deed::Create)
        }
        "pwrite64" => Some(Deed::Write(file()?, number(0)?, texts.into_iter().next()?)),
        "ftruncate" => Some(Deed::Truncate(file()?, number(0)?)),
        "fsync" | "fdatasync" if of_descriptor()? == folder.to_str()? => Some(Deed::SyncFolder),
        "fsync" | "fdatasync" => file().map(Deed::Sync),
        "unlink" => inside(&String::from_utf8(texts.into_iter().next()?).ok()?).map(Deed::Unlink),
        "write" | "writev" | "sendto" | "sendmsg" if file().is_none() => Some(Deed::Said(texts.concat())),
        _ => None,
    }
}

/// The bytes of `\x41\x42`.
fn bytes(text: &str) -> Vec<u8> {
    text.split("\\x").skip(1).filter_map(|hex| u8::from_str_radix(hex.get(..2)?, 16).ok()).collect()
}

#[derive(Debug, Clone)]
enum Change {
    Write(usize, Vec<u8>),
    Truncate(usize),
}

#[derive(Debug, Clone, Default)]
struct File {
    synced: Vec<u8>,
    since: Vec<Change>,
    /// Whether the folder names it, and whether it did when it was synced.
    is_there: bool,
    was_there: bool,
}

/// A disk whose power may go.
#[derive(Debug, Clone, Default)]
pub struct Disk(BTreeMap<String, File>);

impl Disk {
    /// Does what the process did.
    pub fn take(&mut self, deed: &Deed) {
        match deed {
            Deed::Create(name) => self.file(name).is_there = true,
            Deed::Write(name, at, bytes) => self.file(name).since.push(Change::Write(*at, bytes.clone())),
            Deed::Truncate(name, length) => self.file(name).since.push(Change::Truncate(*length)),
            Deed::Sync(name) => {
                let file = self.file(name);
                let changes = std::mem::take(&mut file.since);
                changes.iter().for_each(|change| apply(&mut file.synced, change));
            }
            Deed::SyncFolder => self.0.values_mut().for_each(|file| file.was_there = file.is_there),
            Deed::Unlink(name) => self.file(name).is_there = false,
            Deed::Said(_) => {}
        }
    }

    fn file(&mut self, name: &str) -> &mut File {
        self.0.entry(name.to_owned()).or_default()
    }

    /// The power goes: puts what chance leaves of the files into a folder.
    pub fn cut(&self, chance: &mut Chance, folder: &Path) {
        for (name, file) in &self.0 {
            let is_left = if chance.below(2) == 0 { file.is_there } else { file.was_there };
            if is_left {
                std::fs::write(folder.join(name), file.left(chance)).unwrap();
            }
        }
    }
}

impl File {
    fn left(&self, chance: &mut Chance) -> Vec<u8> {
        let mut left = self.synced.clone();
        // Of ten writes none, some or all were on their way.
        let arrive = chance.below(11);
        for change in &self.since {
            if chance.below(10) >= arrive {
                continue;
            }
            match change {
                Change::Write(at, bytes) if chance.below(4) == 0 => {
                    for (n, sector) in bytes.chunks(SECTOR).enumerate() {
                        if chance.below(2) == 0 {
                            apply(&mut left, &Change::Write(at + n * SECTOR, sector.to_vec()));
                        }
                    }
                }
                change => apply(&mut left, change),
            }
        }
        left
    }
}

fn apply(content: &mut Vec<u8>, change: &Change) {
    match change {
        Change::Write(at, bytes) => {
            content.resize(content.len().max(at + bytes.len()), 0);
            content[*at..at + bytes.len()].copy_from_slice(bytes);
        }
        Change::Truncate(length) => content.resize(*length, 0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trace_is_read() {
        let hex = |text: &str| text.bytes().map(|b| format!("\\x{b:02x}")).collect::<String>();
        let (file, folder) = (hex("/a/l.sqlite"), hex("/a"));
        let trace = format!(
            "7  openat(AT_FDCWD<{folder}>, \"{file}\", O_RDWR|O_CREAT, 0644) = 3<{file}>\n\
             7  pwrite64(3<{file}>, \"\\x01\\x02\", 2, 4) = 2\n\
             7  fsync(3<{file}> <unfinished ...>\n\
             8  sendto(5<{}>, \"{}\", 2, 0, NULL, 0) = 2\n\
             7  <... fsync resumed>) = 0\n\
             7  fsync(4<{folder}>) = 0\n",
            hex("socket:[1]"),
            hex("ok")
        );
        let name = || "l.sqlite".to_owned();
        let expected = [
            Deed::Create(name()),
            Deed::Write(name(), 4, vec![1, 2]),
            Deed::Said(b"ok".to_vec()),
            Deed::Sync(name()),
            Deed::SyncFolder,
        ];
        assert_eq!(deeds(&trace, Path::new("/a")), expected);
    }
}
