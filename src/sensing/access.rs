//! Whether this user may open a device, and what to do where not: from what the system says of the
//! device, the user and the groups. The rule is POSIX's for files (IEEE Std 1003.1, Base
//! Definitions, 4.7): the first class that fits decides, owner, group, others.

use crate::records::{printable, shell_word};
use rustix::process::{getegid, geteuid, getgroups};
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// What the system says of a device and of the user.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Access {
    /// Permissions of the device, as in `chmod`.
    pub mode: u32,
    /// Who owns it.
    pub owner: u32,
    /// Its group.
    pub group: u32,
    /// The name of that group.
    pub group_name: Option<String>,
    /// Who runs this program.
    pub user: u32,
    /// Their name.
    pub user_name: Option<String>,
    /// The groups that this program runs in.
    pub groups: Vec<u32>,
    /// Whether the list of groups has the user in the device's group, so that it counts from the
    /// next login on.
    pub entered: bool,
}

/// What stands between a user and a device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Hurdle {
    /// The user was put into that group, and has not logged in since.
    LogIn(String),
    /// The user is not in that group.
    Join(String),
    /// No group may open it that somebody should be in; the device's group is that.
    NoGroup(String),
}

impl Access {
    /// Of a device that is there.
    pub fn of(path: &Path) -> Option<Access> {
        let device = fs::metadata(path).ok()?;
        let groups_file = fs::read_to_string("/etc/group").unwrap_or_default();
        let users_file = fs::read_to_string("/etc/passwd").unwrap_or_default();
        let (user, group) = (geteuid().as_raw(), device.gid());
        let mut groups: Vec<u32> =
            getgroups().unwrap_or_default().into_iter().map(|gid| gid.as_raw()).collect();
        groups.push(getegid().as_raw());
        let user_name = name_of(&users_file, user);
        let entered = match &user_name {
            Some(name) => is_entered(&groups_file, &users_file, group, name),
            None => false,
        };
        Some(Access {
            mode: device.mode(),
            owner: device.uid(),
            group,
            group_name: name_of(&groups_file, group),
            user,
            user_name,
            groups,
            entered,
        })
    }

    /// Whether the user may read and write it by these permissions.
    pub fn is_open(&self) -> bool {
        let class = match self {
            Access { user: 0, .. } => return true,
            Access { user, owner, .. } if user == owner => 6,
            Access { groups, group, .. } if groups.contains(group) => 3,
            _ => 0,
        };
        self.mode >> class & 6 == 6
    }

    /// What to overcome, of a device that could not be opened.
    pub fn hurdle(&self) -> Hurdle {
        let name = self.group_name.clone().unwrap_or_else(|| self.group.to_string());
        let by_group = self.mode >> 3 & 6 == 6 && self.group != 0;
        match by_group && !self.groups.contains(&self.group) {
            true if self.entered => Hurdle::LogIn(name),
            true => Hurdle::Join(name),
            false => Hurdle::NoGroup(name),
        }
    }

    /// The user as a command takes it.
    pub fn user_word(&self) -> String {
        self.user_name.as_deref().map_or("$USER".into(), |name| shell_word(name).into_owned())
    }
}

impl std::fmt::Display for Hurdle {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Hurdle::LogIn(group) => write!(
                f,
                "it belongs to the group {0}, and you are in {0} only from your next login on",
                printable(group)
            ),
            Hurdle::Join(group) => {
                write!(f, "it belongs to the group {}, and you are not in it", printable(group))
            }
            Hurdle::NoGroup(group) => {
                write!(f, "neither you nor your groups may (its group is {})", printable(group))
            }
        }
    }
}

/// The name of a number in the text of `/etc/group` or `/etc/passwd` (group(5), passwd(5)): name,
/// password and number are the first fields, set apart by colons.
pub fn name_of(file: &str, number: u32) -> Option<String> {
    let number = number.to_string();
    let mut lines = file.lines().map(|line| line.split(':').collect::<Vec<_>>());
    lines.find(|fields| fields.get(2) == Some(&number.as_str())).map(|fields| fields[0].into())
}

/// Whether a user is in a group by the text of these files: as a member, or as the user's own.
fn is_entered(groups: &str, users: &str, group: u32, user: &str) -> bool {
    let number = group.to_string();
    let fields = |line: &str| line.split(':').map(String::from).collect::<Vec<_>>();
    let member = groups.lines().map(fields).any(|f| {
        f.get(2) == Some(&number)
            && f.get(3).is_some_and(|members| members.split(',').any(|member| member == user))
    });
    let own = users.lines().map(fields).any(|f| f[0] == user && f.get(3) == Some(&number));
    member || own
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A serial port as Debian makes it (root:dialout, 0660), seen by a user.
    fn port() -> Access {
        Access {
            mode: 0o20660,
            group: 20,
            group_name: Some("dialout".into()),
            user: 1000,
            user_name: Some("ana".into()),
            groups: vec![24, 1000],
            ..Access::default()
        }
    }

    /// IEEE Std 1003.1, 4.7: the owner's bits decide for the owner, also where others may more.
    #[test]
    fn the_first_class_that_fits_decides() {
        let as_member = Access { groups: vec![20], ..port() };
        let as_owner = Access { owner: 1000, ..port() };
        let as_root = Access { user: 0, mode: 0, ..port() };
        let for_all = Access { mode: 0o666, ..port() };
        for open in [&as_member, &as_owner, &as_root, &for_all] {
            assert!(open.is_open(), "{open:?}");
        }
        let only_others = Access { mode: 0o606, groups: vec![20], ..port() };
        let read_only = Access { mode: 0o440, groups: vec![20], ..port() };
        let not_the_owner = Access { mode: 0o066, owner: 1000, ..port() };
        for shut in [&port(), &only_others, &read_only, &not_the_owner] {
            assert!(!shut.is_open(), "{shut:?}");
        }
    }

    #[test]
    fn what_stands_in_the_way_is_named_with_the_actual_group() {
        assert_eq!(port().hurdle(), Hurdle::Join("dialout".into()));
        let entered = Access { entered: true, ..port() };
        assert_eq!(entered.hurdle(), Hurdle::LogIn("dialout".into()));
        let nameless = Access { group: 986, group_name: None, ..port() };
        assert_eq!(nameless.hurdle(), Hurdle::Join("986".into()));
        // Nobody is to be put into root's group; and a group that may not open it helps nobody.
        let roots = Access { group: 0, group_name: Some("root".into()), ..port() };
        assert_eq!(roots.hurdle(), Hurdle::NoGroup("root".into()));
        let shut = Access { mode: 0o600, ..port() };
        assert_eq!(shut.hurdle(), Hurdle::NoGroup("dialout".into()));
    }

    #[test]
    fn names_and_members_are_read_from_the_systems_files() {
        let groups = "root:x:0:\ndialout:x:20:bob,ana\nplugdev:x:46:anabel\nstudio:x:1000:\n";
        let users = "root:x:0:0:root:/root:/bin/sh\nana:x:1000:1000:Ana:/home/ana:/bin/sh\nbad\n";
        assert_eq!(name_of(groups, 20).as_deref(), Some("dialout"));
        assert_eq!(name_of(users, 1000).as_deref(), Some("ana"));
        assert_eq!(name_of(groups, 7), None);
        assert!(is_entered(groups, users, 20, "ana"));
        assert!(!is_entered(groups, users, 46, "ana"), "a longer name is another");
        assert!(is_entered(groups, users, 1000, "ana"), "a user's own group");
    }

    #[test]
    fn a_device_of_this_system_is_described() {
        let access = Access::of(Path::new("/dev/null")).unwrap();
        assert_eq!((access.mode & 0o777, access.owner), (0o666, 0));
        assert!(access.is_open());
        assert_eq!(Access::of(Path::new("/dev/not-there")), None);
    }
}
