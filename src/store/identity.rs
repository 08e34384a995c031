//! How a file is known as a studio's database without opening it as one.
//!
//! It begins like a SQLite database and carries our `application_id` (SQLite file format,
//! <https://www.sqlite.org/fileformat2.html>, section 1.3: header offset 68). Where the power
//! failed while the first page was being written, that page may be rubbish; then its copy in the
//! write-ahead log (section 4.1) or in the rollback journal (section 3) tells.

use std::fs::File;
use std::io::{self, BufReader, ErrorKind, Read, Seek};
use std::path::{Path, PathBuf};

/// SQLite `application_id` of a studio: the letters `Ware`.
pub(super) const APPLICATION_ID: i32 = i32::from_be_bytes(*b"Ware");

/// How much of the first page is the header, bytes.
const HEAD: usize = 100;

/// The number of the layout (`user_version`, header offset 60) as the first page of one of our
/// files has it; its log may know of a later one.
pub(super) fn layout(path: &Path) -> io::Result<Option<i32>> {
    let head = head(path)?;
    Ok((head.len() == HEAD && is_our_page(&head)).then(|| number(&head, 60).cast_signed()))
}

fn head(path: &Path) -> io::Result<Vec<u8>> {
    let mut head = Vec::with_capacity(HEAD);
    File::open(path)?.take(HEAD as u64).read_to_end(&mut head)?;
    Ok(head)
}

/// Whether the file is a studio's database.
pub(super) fn is_ours(path: &Path) -> io::Result<bool> {
    let head = head(path)?;
    if head.is_empty() || is_our_page(&head) {
        return Ok(!head.is_empty());
    }
    Ok(told_by(&beside(path, "-wal"), log_is_ours)?
        || told_by(&beside(path, "-journal"), journal_is_ours)?)
}

/// The same path with something behind its name: where SQLite keeps a database's log.
pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

fn is_our_page(page: &[u8]) -> bool {
    page.starts_with(b"SQLite format 3\0")
        && page.get(68..72) == Some(&APPLICATION_ID.to_be_bytes()[..])
}

/// What a file beside the database says, if it is there; one that ends too early says no.
fn told_by(path: &Path, says: fn(&mut BufReader<File>) -> io::Result<bool>) -> io::Result<bool> {
    let said = match File::open(path) {
        Ok(file) => says(&mut BufReader::new(file)),
        Err(e) => Err(e),
    };
    match said {
        Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::UnexpectedEof) => Ok(false),
        other => other,
    }
}

/// Whether the first page is ours as it stands in a write-ahead log for the first time: a header
/// of 32 bytes, then for each page 24 bytes and the page.
fn log_is_ours(log: &mut (impl Read + Seek)) -> io::Result<bool> {
    let mut header = [0; 32];
    log.read_exact(&mut header)?;
    let rest = i64::from(number(&header, 8)) - HEAD as i64;
    if number(&header, 0) & !1 != 0x377f_0682 || rest < 0 {
        return Ok(false);
    }
    let mut frame = [0; 24 + HEAD];
    loop {
        log.read_exact(&mut frame)?;
        let of_this_log = frame[8..16] == header[16..24]; // its salts
        if !of_this_log || number(&frame, 0) == 1 {
            return Ok(of_this_log && is_our_page(&frame[24..]));
        }
        log.seek_relative(rest)?;
    }
}

/// Whether the first page is ours as a rollback journal keeps it: a header that fills a sector,
/// then for each page its number, the page, and a checksum.
fn journal_is_ours(journal: &mut (impl Read + Seek)) -> io::Result<bool> {
    let mut header = [0; 28];
    journal.read_exact(&mut header)?;
    let (pages, sector) = (number(&header, 8), i64::from(number(&header, 20)));
    let rest = i64::from(number(&header, 24)) - HEAD as i64;
    let known = header.starts_with(&[0xd9, 0xd5, 0x05, 0xf9, 0x20, 0xa1, 0x63, 0xd7]);
    if !known || rest < 0 || sector < header.len() as i64 {
        return Ok(false);
    }
    journal.seek_relative(sector - header.len() as i64)?;
    let mut record = [0; 4 + HEAD];
    for _ in 0..pages {
        journal.read_exact(&mut record)?;
        if number(&record, 0) == 1 {
            return Ok(is_our_page(&record[4..]));
        }
        journal.seek_relative(rest + 4)?;
    }
    Ok(false)
}

/// Four bytes, the most significant first.
fn number(bytes: &[u8], at: usize) -> u32 {
    bytes[at..at + 4].iter().fold(0, |number, byte| number << 8 | u32::from(*byte))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    /// Garbles the first page of a database that SQLite wrote, with its log or journal beside it.
    fn garbled(mode: &str, application_id: i32) -> bool {
        let dir = tempfile::tempdir().unwrap();
        let (path, copy) = (dir.path().join("a.db"), dir.path().join("b.db"));
        let db = rusqlite::Connection::open(&path).unwrap();
        db.pragma_update(None, "application_id", application_id).unwrap();
        db.execute_batch(&format!("PRAGMA journal_mode = {mode}; CREATE TABLE t (a)")).unwrap();
        // A cache of a page or two: what is changed goes to the disk before its commit.
        db.execute_batch("PRAGMA cache_size = 1; BEGIN; CREATE TABLE u (a);").unwrap();
        for _ in 0..100 {
            db.execute("INSERT INTO u VALUES (randomblob(2000))", []).unwrap();
        }
        for suffix in ["-wal", "-journal"].map(|suffix| (beside(&path, suffix), suffix)) {
            if suffix.0.exists() {
                fs::copy(&suffix.0, beside(&copy, suffix.1)).unwrap();
            }
        }
        fs::write(&copy, [0xa5; 8192]).unwrap();
        is_ours(&copy).unwrap()
    }

    #[test]
    fn a_database_is_known_by_its_log_or_journal_when_its_first_page_is_gone() {
        for mode in ["WAL", "DELETE"] {
            assert!(garbled(mode, APPLICATION_ID), "{mode}");
            assert!(!garbled(mode, 7), "{mode}");
        }
    }

    #[test]
    fn rubbish_beside_rubbish_is_not_ours() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.db");
        fs::write(&path, [0xa5; 8192]).unwrap();
        assert!(!is_ours(&path).unwrap());
        let log = [[0x37, 0x7f, 0x06, 0x82].as_slice(), &[0; 60]].concat();
        let journal = [[0xd9, 0xd5, 0x05, 0xf9, 0x20, 0xa1, 0x63, 0xd7].as_slice(), &[0xff; 90]];
        for (suffix, bytes) in [("-wal", log), ("-journal", journal.concat())] {
            for end in 0..bytes.len() {
                fs::write(beside(&path, suffix), &bytes[..end]).unwrap();
                assert!(!is_ours(&path).unwrap(), "{suffix}: {end}");
            }
        }
    }
}
