//! Serial devices that are plugged in. A name like `/dev/ttyUSB0` goes to whatever is plugged in
//! first; links in `/dev/serial/by-id`, which udev makes, lead to the same device always.

use std::fs;
use std::path::{Path, PathBuf};

/// Where serial devices are, and the names that stay.
const DEVICES: &str = "/dev";
const STAYING: &str = "serial/by-id";

/// A serial device that is plugged in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Device {
    /// Its name, the one that stays where it has one.
    pub name: String,
    /// The device itself.
    pub itself: PathBuf,
    /// Whether the name stays.
    pub stays: bool,
}

/// Serial devices that are plugged in by USB, those with a name that stays first.
pub fn plugged() -> Vec<Device> {
    below(Path::new(DEVICES))
}

/// The name of a port's device that stays, where the port is called by one that does not.
pub fn staying_name(path: &str, plugged: &[Device]) -> Option<String> {
    let itself = Path::new(path).canonicalize().ok()?;
    let mut names = plugged.iter().filter(|device| device.stays && device.itself == itself);
    let goes_astray = Path::new(path) == itself;
    names.next().filter(|_| goes_astray).map(|device| device.name.clone())
}

/// Serial devices by USB below a folder of devices.
fn below(devices: &Path) -> Vec<Device> {
    let list = |folder: &Path| {
        let entries = fs::read_dir(folder).into_iter().flatten().flatten();
        let mut paths: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
        paths.sort();
        paths
    };
    let device = |path: PathBuf, stays| {
        let itself = path.canonicalize().ok()?;
        Some(Device { name: path.to_str()?.into(), itself, stays })
    };
    let staying = list(&devices.join(STAYING)).into_iter();
    let mut found: Vec<Device> = staying.filter_map(|path| device(path, true)).collect();
    let usb = |path: &PathBuf| {
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        name.starts_with("ttyUSB") || name.starts_with("ttyACM")
    };
    for path in list(devices).into_iter().filter(usb) {
        if found.iter().all(|one| Some(&one.itself) != path.canonicalize().ok().as_ref()) {
            found.extend(device(path, false));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    #[test]
    fn names_that_stay_come_first_and_each_device_once() {
        let devices = tempfile::tempdir().unwrap();
        for name in ["ttyUSB0", "ttyACM3", "ttyS0", "null"] {
            fs::write(devices.path().join(name), "").unwrap();
        }
        let staying = devices.path().join(STAYING);
        fs::create_dir_all(&staying).unwrap();
        symlink("../../ttyUSB0", staying.join("usb-board-if00")).unwrap();
        symlink("../../gone", staying.join("usb-gone")).unwrap();
        let found = below(devices.path());
        let names: Vec<(&str, bool)> =
            found.iter().map(|d| (d.name.rsplit('/').next().unwrap(), d.stays)).collect();
        assert_eq!(names, [("usb-board-if00", true), ("ttyACM3", false)]);
        assert!(below(&devices.path().join("not-there")).is_empty());
        // Only who calls it by the name that goes astray is told the one that stays.
        let path = |name: &str| devices.path().canonicalize().unwrap().join(name);
        let told = |name: &str| staying_name(path(name).to_str().unwrap(), &found);
        assert!(told("ttyUSB0").unwrap().ends_with("usb-board-if00"));
        assert_eq!(told("ttyACM3"), None);
        assert_eq!(told("serial/by-id/usb-board-if00"), None);
    }
}
