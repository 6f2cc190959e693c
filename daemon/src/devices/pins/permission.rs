//! What to do about a device that may not be used.

use std::fmt;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// What lets the daemon use a device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Remedy {
    /// Its user is to be in this group.
    Join(String),
    /// No group may use the device yet.
    GiveGroup,
    /// Its user may use the device, and something beyond that forbids it.
    Allow,
}

impl fmt::Display for Remedy {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Join(group) => write!(f, "add the user of the daemon to the group {group}"),
            Self::GiveGroup => f.write_str(
                "it is for root alone: install the package's udev rules (configs/debian/udev.rules), which give \
                 it to the group gpio, and run 'udevadm trigger'",
            ),
            Self::Allow => f.write_str(
                "its owner and mode allow it, so it is the sandbox or the kernel: look at DeviceAllow in the \
                 service's unit",
            ),
        }
    }
}

/// Read and write, for the group.
const GROUP_USES: u32 = 0o060;

impl Remedy {
    /// What helps this process to use the device at a path.
    pub(super) fn at(path: &Path) -> Self {
        let Ok(device) = path.metadata() else { return Self::GiveGroup };
        let is_root = rustix::process::geteuid().is_root();
        let mut groups: Vec<u32> =
            rustix::process::getgroups().unwrap_or_default().iter().map(|group| group.as_raw()).collect();
        groups.push(rustix::process::getegid().as_raw());
        Self::of(device.mode(), device.gid(), is_root, &groups)
    }

    fn of(mode: u32, group: u32, is_root: bool, groups: &[u32]) -> Self {
        if is_root {
            Self::Allow
        } else if group == 0 || mode & GROUP_USES != GROUP_USES {
            Self::GiveGroup
        } else if groups.contains(&group) {
            Self::Allow
        } else {
            Self::Join(name(group).unwrap_or_else(|| group.to_string()))
        }
    }
}

/// The name of a group in `/etc/group`.
fn name(group: u32) -> Option<String> {
    let groups = std::fs::read_to_string("/etc/group").ok()?;
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, _password, number) = (fields.next()?, fields.next()?, fields.next()?);
        (number.parse() == Ok(group)).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn joining_a_group_is_advised_only_where_it_helps() {
        let dialout = 20;
        assert_eq!(Remedy::of(0o20660, dialout, false, &[1000]), Remedy::Join("dialout".into()));
        assert_eq!(Remedy::of(0o20660, 999_999, false, &[1000]), Remedy::Join("999999".into()));
        assert_eq!(Remedy::of(0o20600, dialout, false, &[1000]), Remedy::GiveGroup);
        assert_eq!(Remedy::of(0o20660, 0, false, &[1000]), Remedy::GiveGroup);
        assert_eq!(Remedy::of(0o20660, dialout, false, &[1000, dialout]), Remedy::Allow);
        assert_eq!(Remedy::of(0o20600, 0, true, &[0]), Remedy::Allow);
    }
}
