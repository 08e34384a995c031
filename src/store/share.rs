//! Whether a folder lies on a disk of another computer.
//!
//! SQLite's write-ahead log needs memory that all programs share, which no network file system
//! gives to two computers (<https://www.sqlite.org/wal.html>, section 1), and locks on such file
//! systems are not to be relied on (<https://www.sqlite.org/faq.html>, question 5).

use super::StoreError;
use std::path::Path;

/// File systems of other computers, as the kernel names them.
const NETWORK: [&str; 15] = [
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "ncpfs",
    "afs",
    "coda",
    "ceph",
    "fuse.sshfs",
    "fuse.rclone",
    "fuse.davfs",
    "fuse.davfs2",
    "fuse.glusterfs",
    "fuse.s3fs",
];

/// Refuses a folder on a network share; one that is not there yet is judged by where it would be.
pub(super) fn refuse(dir: &Path) -> Result<(), StoreError> {
    // Relative paths end in the empty one, which is here.
    let there =
        dir.ancestors().map(|path| if path == Path::new("") { Path::new(".") } else { path });
    let Some(folder) = there.into_iter().find_map(|path| path.metadata().ok()) else {
        return Ok(());
    };
    let kind = kind_of(&std::os::unix::fs::MetadataExt::dev(&folder));
    match kind.filter(|kind| NETWORK.contains(&kind.as_str())) {
        Some(kind) => Err(StoreError::Share { path: dir.into(), kind }),
        None => Ok(()),
    }
}

/// The file system of a device, where the system tells it.
fn kind_of(device: &u64) -> Option<String> {
    let mounts = std::fs::read_to_string("/proc/self/mountinfo").ok()?;
    let number = format!("{}:{}", rustix::fs::major(*device), rustix::fs::minor(*device));
    kind_in(&mounts, &number).map(String::from)
}

/// The file system of a device by its number (`major:minor`) in the text of Linux's
/// `/proc/PID/mountinfo` (proc_pid_mountinfo(5)): six fields, optional ones, a hyphen, the kind.
fn kind_in<'a>(mounts: &'a str, number: &str) -> Option<&'a str> {
    let mut found = mounts.lines().filter(|line| line.split(' ').nth(2) == Some(number));
    found.find_map(|line| line.split_once(" - ")?.1.split(' ').next())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::MetadataExt;

    #[test]
    fn a_device_is_found_among_the_mounts() {
        // The first line is the example of proc_pid_mountinfo(5).
        let mounts = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw\n\
                      40 35 0:44 / /mnt/a\\040b rw,relatime shared:2 master:9 - nfs4 nas:/pots rw\n\
                      41 35 0:45 / /mnt/c rw,relatime - fuse.sshfs nas: rw\n";
        for (number, kind) in [
            ("98:0", Some("ext3")),
            ("0:44", Some("nfs4")),
            ("0:45", Some("fuse.sshfs")),
            ("8:1", None),
        ] {
            assert_eq!(kind_in(mounts, number), kind);
        }
    }

    #[test]
    fn a_disk_of_this_computer_is_fine_even_where_the_folder_is_not_there_yet() {
        let dir = tempfile::tempdir().unwrap();
        refuse(&dir.path().join("not/yet/there")).unwrap();
        refuse(Path::new("not-there-either")).unwrap();
        if cfg!(target_os = "linux") {
            let device = dir.path().metadata().unwrap().dev();
            assert!(kind_of(&device).is_some(), "found among the mounts");
        }
    }
}
