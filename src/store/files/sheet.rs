//! One studio file: its columns by name, and the typed fields of one row at a time.

use super::csv::{Found, Reader, Row};
use super::{Defect, Note};
use crate::records::Name;
use crate::store::rules::{self, Unfit};
use crate::store::{shown, text};
use crate::units::Time;
use std::fs::File;
use std::io::{self, Read};

/// What a file is called and which columns it has.
pub struct Layout {
    /// The file's name.
    pub file: &'static str,
    /// All columns.
    pub columns: &'static [&'static str],
    /// Those that must be there.
    pub required: &'static [&'static str],
}

/// A file that is being read.
pub struct Sheet<R = File> {
    /// What the file is called where something is said about it.
    name: String,
    layout: &'static Layout,
    reader: Reader<R>,
    /// Where each column of the layout stands in the file.
    places: Vec<Option<usize>>,
    header: Vec<String>,
    row: Row,
}

impl<R: Read> Sheet<R> {
    /// Reads the header. `None` if the file is of no use as it stands: then that was told.
    pub fn open(
        input: R,
        layout: &'static Layout,
        tell: &mut dyn FnMut(Note),
    ) -> io::Result<Option<Sheet<R>>> {
        Sheet::open_as(layout.file.into(), input, layout, tell)
    }

    /// The same for a file that is called otherwise.
    pub fn open_as(
        name: String,
        input: R,
        layout: &'static Layout,
        tell: &mut dyn FnMut(Note),
    ) -> io::Result<Option<Sheet<R>>> {
        let mut reader = Reader::new(input);
        let mut row = Row::default();
        let found = reader.next(&mut row)?;
        let header = (0..row.len()).map(|i| String::from_utf8_lossy(row.field(i)).into_owned());
        let header: Vec<String> = header.collect();
        let mut sheet = Sheet { name, layout, reader, places: Vec::new(), header, row };
        let complaint = match found {
            Found::Row => sheet.find_columns(),
            Found::Malformed(_, text) => Err(("header".into(), text.into())),
            Found::End => Err(("header".into(), "the file is empty".into())),
        };
        match complaint {
            Ok(()) => {}
            Err((column, text)) => {
                let expected = layout.columns.join(",");
                let text = format!("{text}; expected a first line like {expected}");
                tell(Note::Defect(sheet.defect(column, text)));
                return Ok(None);
            }
        }
        for name in sheet.header.iter().filter(|name| !layout.columns.contains(&name.as_str())) {
            let (file, name) = (&sheet.name, shown(name));
            tell(Note::Warning(format!("{file}: column \"{name}\" is not known and was left out")));
        }
        Ok(Some(sheet))
    }

    /// Finds the columns in the header, or says which one is wrong and why.
    fn find_columns(&mut self) -> Result<(), (String, String)> {
        let header = &self.header;
        for &name in self.layout.columns {
            let mut places = (0..header.len()).filter(|&i| header[i] == name);
            let place = places.next();
            if places.next().is_some() {
                return Err((name.into(), "this column is there twice".into()));
            }
            if place.is_none() && self.layout.required.contains(&name) {
                let hint = match header.first() {
                    Some(first) if header.len() == 1 && first.contains(';') => {
                        " (columns are told apart by commas, not semicolons)"
                    }
                    Some(first) if header.len() == 1 && first.contains('\t') => {
                        " (columns are told apart by commas, not tabs)"
                    }
                    Some(first) if first.contains(['\u{fffd}', '\0']) => {
                        " (the file is not UTF-8: save it as \"CSV UTF-8\")"
                    }
                    _ => "",
                };
                return Err((name.into(), format!("this column is missing{hint}")));
            }
            self.places.push(place);
        }
        self.reader.width = Some(header.len());
        Ok(())
    }

    /// Goes to the next row that has the right number of fields; `Ok(None)` at the end of the
    /// file, a defect for each row that cannot be taken apart.
    pub fn next(&mut self) -> io::Result<Option<Result<(), Defect>>> {
        loop {
            let found = self.reader.next(&mut self.row)?;
            let width = self.header.len();
            return Ok(Some(match found {
                Found::End => return Ok(None),
                Found::Malformed(field, text) => {
                    Err(self.defect(self.column_at(field), text.into()))
                }
                Found::Row if self.row.is_blank() => continue,
                Found::Row if self.row.len() == width => Ok(()),
                Found::Row => {
                    let fields = self.row.len();
                    let hint = if fields > width {
                        "a number with a decimal comma, or a comma in a name without quotes?"
                    } else {
                        "an empty field still needs its comma"
                    };
                    let many = if fields == 1 { "field" } else { "fields" };
                    let text = format!("{fields} {many}, but the header has {width}; {hint}");
                    Err(self.defect(self.column_at(fields.min(width - 1)), text))
                }
            }));
        }
    }

    /// Which file it is.
    pub fn layout(&self) -> &'static Layout {
        self.layout
    }

    /// The line at which the row begins.
    pub fn line(&self) -> u64 {
        self.row.line
    }

    /// Something is wrong with the row.
    pub fn defect(&self, column: impl Into<String>, text: String) -> Defect {
        let column = column.into();
        Defect { file: self.name.clone(), line: self.row.line.max(1), column, text }
    }

    /// What a column is called; its number where the header leaves its name out.
    fn column_at(&self, field: usize) -> String {
        match self.header.get(field).map(String::as_str) {
            None => "row".into(),
            Some("") => format!("column {}", field + 1),
            Some(name) => shown(name),
        }
    }

    /// The text of a column of the layout; empty where there is none.
    pub fn text(&self, column: &'static str) -> Result<&str, Unfit> {
        let index = self.layout.columns.iter().position(|name| *name == column);
        let Some(place) = index.and_then(|i| self.places[i]) else { return Ok("") };
        let bytes = self.row.field(place);
        std::str::from_utf8(bytes).map(str::trim).map_err(|_| {
            let got = shown(&String::from_utf8_lossy(bytes));
            unfit(column, format!("not UTF-8; save the file as \"CSV UTF-8\"; got \"{got}\""))
        })
    }

    /// The text of a column that may not be empty.
    pub fn some_text(&self, column: &'static str, expected: &str) -> Result<&str, Unfit> {
        match self.text(column)? {
            "" => Err(unfit(column, format!("is empty; expected {expected}"))),
            text => Ok(text),
        }
    }

    /// A name that may not be empty.
    pub fn name(&self, column: &'static str) -> Result<Name, Unfit> {
        Ok(self.some_text(column, "a name")?.into())
    }

    /// A name, or nothing.
    pub fn maybe_name(&self, column: &'static str) -> Result<Option<Name>, Unfit> {
        let text = self.text(column)?;
        Ok((!text.is_empty()).then(|| text.into()))
    }

    /// A time.
    pub fn time(&self, column: &'static str) -> Result<Time, Unfit> {
        let text = self.some_text(column, "a time like 2031-04-02T18:25:00Z")?;
        text::read_time(text).map_err(|e| unfit(column, format!("{e}; got \"{}\"", shown(text))))
    }

    /// A finite number divided by 10^`places`.
    pub fn number(&self, column: &'static str, places: i32) -> Result<f64, Unfit> {
        let text = self.some_text(column, "a number like 812.4")?;
        text::read_number(text, places).ok_or_else(|| no_number(column, text))
    }

    /// A finite number divided by 10^`places`, or nothing.
    pub fn maybe_number(&self, column: &'static str, places: i32) -> Result<Option<f64>, Unfit> {
        match self.text(column)? {
            "" => Ok(None),
            text => match text::read_number(text, places) {
                Some(number) => Ok(Some(number)),
                None => Err(no_number(column, text)),
            },
        }
    }
}

/// A complaint about a column.
pub fn unfit(column: &'static str, text: String) -> Unfit {
    rules::Unfit { column, text }
}

/// A text that should have been a number.
pub fn no_number(column: &'static str, text: &str) -> Unfit {
    let comma = if text.contains(',') { " (with a point, not a comma)" } else { "" };
    let got = shown(text);
    unfit(column, format!("\"{got}\" is not a finite number; expected one like 812.4{comma}"))
}
