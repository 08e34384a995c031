//! Rows of a CSV file (RFC 4180) with the line at which each begins.
//!
//! Unlike general readers it finds its feet again: a quote that is never closed costs the row
//! that it stands in, not the rest of the file. Lines end in LF or CR LF; a byte order mark and
//! blank lines are passed over; a quote inside an unquoted field stands for itself.

use memchr::{memchr, memchr2};
use std::io::{self, Read};

/// Longest row, in bytes, line breaks inside quotes included.
pub const LONGEST: usize = 64 * 1024;
/// How much is read at a time, bytes.
const CHUNK: usize = 4 * LONGEST;

/// One row: its fields, and the line at which it begins.
#[derive(Default, Debug)]
pub struct Row {
    /// From 1.
    pub line: u64,
    text: Vec<u8>,
    ends: Vec<usize>,
}

impl Row {
    /// How many fields it has.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// A field's bytes, blanks at its ends removed; empty if there is none.
    pub fn field(&self, index: usize) -> &[u8] {
        let from = index.checked_sub(1).map_or(0, |before| self.ends[before]);
        self.ends.get(index).map_or(&[], |end| self.text[from..*end].trim_ascii())
    }

    /// Whether there is nothing in any field.
    pub fn is_blank(&self) -> bool {
        self.text.trim_ascii().is_empty()
    }

    fn clear(&mut self) {
        self.text.clear();
        self.ends.clear();
    }

    fn end_field(&mut self) {
        self.ends.push(self.text.len());
    }
}

/// What came next in the file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Found {
    /// A row.
    Row,
    /// Something that is no row, at the row's line; the number of the field where it went wrong.
    Malformed(usize, &'static str),
    /// Nothing more.
    End,
}

const QUOTES: &str = "a quote (\") is not closed, or something follows a closed one; expected \
                      \"…\" around the whole field, and \"\" for a quote inside it";
const TOO_LONG: &str = "the row has more than 64 KiB";

/// Reads rows, one after the other.
pub struct Reader<R> {
    input: R,
    buffer: Vec<u8>,
    at: usize,
    ended: bool,
    line: u64,
    /// How many fields a row has; known after the header. A row over several lines with another
    /// number of fields is taken for a quote that was not closed.
    pub width: Option<usize>,
}

impl<R: Read> Reader<R> {
    /// Reads from the beginning of a file.
    pub fn new(input: R) -> Reader<R> {
        Reader { input, buffer: Vec::new(), at: 0, ended: false, line: 0, width: None }
    }

    /// The next row, into `row`.
    pub fn next(&mut self, row: &mut Row) -> io::Result<Found> {
        if self.line == 0 {
            self.fill(LONGEST)?;
            self.at = if self.buffer.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
            self.line = 1;
        }
        loop {
            self.fill(LONGEST)?;
            let rest = &self.buffer[self.at..];
            if rest.is_empty() {
                return Ok(Found::End);
            }
            row.clear();
            row.line = self.line;
            let end = memchr(b'\n', &rest[..rest.len().min(LONGEST)]);
            let Some(end) = end.or((self.ended && rest.len() < LONGEST).then_some(rest.len()))
            else {
                self.skip_line()?;
                return Ok(Found::Malformed(0, TOO_LONG));
            };
            let next_line = rest.len().min(end + 1);
            let line = rest[..end].strip_suffix(b"\r").unwrap_or(&rest[..end]);
            if line.is_empty() {
                self.step(next_line);
                continue;
            }
            if memchr(b'"', line).is_none() {
                split(line, row);
                self.step(next_line);
                return Ok(Found::Row);
            }
            let whole = self.ended && rest.len() <= LONGEST;
            let parsed = unquote(&rest[..rest.len().min(LONGEST)], whole, row);
            return Ok(match parsed {
                Ok(used) if used <= next_line || self.width.is_none_or(|n| n == row.len()) => {
                    self.step(used);
                    Found::Row
                }
                other => {
                    self.step(next_line);
                    Found::Malformed(other.err().unwrap_or(0), QUOTES)
                }
            });
        }
    }

    /// Has `bytes` bytes at hand, or all that are left.
    fn fill(&mut self, bytes: usize) -> io::Result<()> {
        while !self.ended && self.buffer.len() - self.at < bytes {
            self.buffer.drain(..self.at);
            self.at = 0;
            let have = self.buffer.len();
            self.buffer.resize(have + CHUNK, 0);
            let read = loop {
                match self.input.read(&mut self.buffer[have..]) {
                    Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                    other => break other,
                }
            };
            self.buffer.truncate(have + *read.as_ref().unwrap_or(&0));
            self.ended = read? == 0;
        }
        Ok(())
    }

    /// Takes that many bytes for read.
    fn step(&mut self, bytes: usize) {
        let read = &self.buffer[self.at..self.at + bytes];
        self.line += memchr::memchr_iter(b'\n', read).count() as u64;
        self.at += bytes;
    }

    /// Goes to the beginning of the next line, however far that is.
    fn skip_line(&mut self) -> io::Result<()> {
        loop {
            self.fill(LONGEST)?;
            let rest = &self.buffer[self.at..];
            match memchr(b'\n', rest) {
                Some(end) => {
                    self.step(end + 1);
                    return Ok(());
                }
                None if rest.is_empty() => return Ok(()),
                None => self.step(rest.len()),
            }
        }
    }
}

/// A line without quotes.
fn split(line: &[u8], row: &mut Row) {
    let mut from = 0;
    for comma in memchr::memchr_iter(b',', line) {
        row.text.extend_from_slice(&line[from..comma]);
        row.end_field();
        from = comma + 1;
    }
    row.text.extend_from_slice(&line[from..]);
    row.end_field();
}

/// A row with quotes, from the beginning of `rest`: how many bytes it takes with its line break,
/// or the number of the field whose quotes are wrong. `whole`: nothing follows `rest`.
fn unquote(rest: &[u8], whole: bool, row: &mut Row) -> Result<usize, usize> {
    let blank = |i: usize| matches!(rest.get(i), Some(b' ' | b'\t'));
    let mut i = 0;
    loop {
        let field = row.len();
        let begin = i;
        while blank(i) {
            i += 1;
        }
        if rest.get(i) == Some(&b'"') {
            i += 1;
            loop {
                let close = i + memchr(b'"', &rest[i..]).ok_or(field)?;
                row.text.extend_from_slice(&rest[i..close]);
                i = close + 1;
                if rest.get(i) != Some(&b'"') {
                    break;
                }
                row.text.push(b'"');
                i += 1;
            }
            while blank(i) {
                i += 1;
            }
            i += usize::from(rest[i..].starts_with(b"\r\n"));
        } else {
            i = memchr2(b',', b'\n', &rest[begin..]).map_or(rest.len(), |n| begin + n);
            let text = &rest[begin..i];
            let ends_line = rest.get(i) != Some(&b',');
            let text = if ends_line { text.strip_suffix(b"\r").unwrap_or(text) } else { text };
            row.text.extend_from_slice(text);
        }
        row.end_field();
        match rest.get(i) {
            Some(b',') => i += 1,
            Some(b'\n') => return Ok(i + 1),
            None if whole => return Ok(i),
            Some(b'\r') if whole && i + 1 == rest.len() => return Ok(i + 1),
            _ => return Err(field),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rows with their lines; what is malformed as its text alone.
    fn read(bytes: &[u8], width: Option<usize>) -> Vec<(u64, Vec<String>)> {
        let mut reader = Reader::new(bytes);
        reader.width = width;
        let mut row = Row::default();
        let mut rows = Vec::new();
        loop {
            let fields = match reader.next(&mut row).unwrap() {
                Found::End => return rows,
                Found::Malformed(field, _) => vec![format!("malformed at {field}")],
                Found::Row => {
                    let text = |i| String::from_utf8_lossy(row.field(i)).into_owned();
                    (0..row.len()).map(text).collect()
                }
            };
            rows.push((row.line, fields));
        }
    }

    fn row(line: u64, fields: &[&str]) -> (u64, Vec<String>) {
        (line, fields.iter().map(|f| f.to_string()).collect())
    }

    #[test]
    fn rows_are_found_with_their_lines() {
        let mut text = b"\xef\xbb\xbfa,b\r\n\r\n1,\"x, \"\"y\"\"\"\r\n\n".to_vec();
        text.extend(b" \"2\" ,\"two\r\nlines\"\n3, 5\" ,\"\"");
        let rows = [
            row(1, &["a", "b"]),
            row(3, &["1", "x, \"y\""]),
            row(5, &["2", "two\r\nlines"]),
            row(7, &["3", "5\"", ""]),
        ];
        assert_eq!(read(&text, None), rows);
        assert_eq!(read(b"", None), []);
        assert_eq!(read(b"\r\n\n", None), []);
        assert_eq!(read(b"a\r", None), [row(1, &["a"])]);
        assert_eq!(read(b"\"a\"\r", None), [row(1, &["a"])]);
    }

    #[test]
    fn an_open_quote_costs_its_own_row_only() {
        let text = b"a,\"b\nc,d\ne,\"f\"\ng,h\n";
        let rows = [
            row(1, &["malformed at 1"]),
            row(2, &["c", "d"]),
            row(3, &["e", "f"]),
            row(4, &["g", "h"]),
        ];
        assert_eq!(read(text, Some(2)), rows);
        // The quote of the third line closes that of the first: the width gives it away.
        let text = b"a,\"b\nc,d\n\"e\",f\n";
        assert_eq!(read(text, Some(2))[0], row(1, &["malformed at 1"]));
        let text = b"a,\"b\nc,d\n\",e,f\ng,h\n";
        let rows = [row(1, &["malformed at 0"]), row(2, &["c", "d"]), row(3, &["malformed at 0"])];
        assert_eq!(read(text, Some(2))[..3], rows);
    }

    #[test]
    fn a_line_without_end_is_passed_over() {
        let mut text = b"a,b\n".to_vec();
        text.extend(vec![b'x'; 3 * CHUNK]);
        text.extend(b"\nc,d\n");
        let rows = [row(1, &["a", "b"]), row(2, &["malformed at 0"]), row(3, &["c", "d"])];
        assert_eq!(read(&text, Some(2)), rows);
    }

    proptest! {
        /// Source: the `csv` crate, a reference implementation of RFC 4180.
        #[test]
        fn well_formed_files_read_as_elsewhere(
            rows in prop::collection::vec(
                prop::collection::vec("[a-z0-9,\"\n\r;é.]{0,9}x", 3), 0..12),
            crlf: bool,
        ) {
            let ending = if crlf { csv::Terminator::CRLF } else { csv::Terminator::Any(b'\n') };
            let mut writer = csv::WriterBuilder::new().terminator(ending).from_writer(vec![]);
            for row in &rows {
                writer.write_record(row).unwrap();
            }
            let text = writer.into_inner().unwrap();
            let found: Vec<_> = read(&text, Some(3)).into_iter().map(|(_, fields)| fields).collect();
            let trim = |row: &Vec<String>| row.iter().map(|f| f.trim_ascii().into()).collect();
            let rows: Vec<Vec<String>> = rows.iter().map(trim).collect();
            prop_assert_eq!(found, rows);
        }

        #[test]
        fn any_bytes_are_rows_and_every_line_is_looked_at(
            bytes in prop::collection::vec(prop_oneof![
                Just(b'"'), Just(b','), Just(b'\n'), Just(b'\r'), Just(b'a'), any::<u8>()
            ], 0..200),
        ) {
            let rows = read(&bytes, Some(2));
            let lines: Vec<u64> = rows.iter().map(|(line, _)| *line).collect();
            prop_assert!(lines.is_sorted_by(|a, b| a < b));
        }
    }
}
