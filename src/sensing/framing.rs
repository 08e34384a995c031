//! Where a line ends: finds the next line whatever came before it.
//!
//! Any byte sequence is input: binary noise, half a line, a line without end. The only state is
//! the open line, bounded at [`MAX_LINE`]; the byte after a line end is always the start of a line.

/// Longest line in bytes, its end not counted.
pub const MAX_LINE: usize = 4096;

/// Which bytes end a line. Empty lines are passed over, so `CR LF` works with both.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ends {
    /// `LF`; a `CR` just before it belongs to the end.
    Lf,
    /// `LF` or `CR`: some scales print only `CR`.
    LfOrCr,
}

/// What the bytes held.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Framed<'a> {
    /// A line without its end; never empty, at most [`MAX_LINE`] bytes.
    Line(&'a [u8]),
    /// The same, but nobody saw its beginning: the first one since the port was opened. It may be
    /// whole, or the rest of one.
    First(&'a [u8]),
    /// A line grew beyond [`MAX_LINE`]; everything up to its end is passed over.
    TooLong,
}

/// Cuts a stream of bytes into lines.
#[derive(Debug)]
pub struct Framing {
    ends: Ends,
    open: Vec<u8>,
    /// Inside a line that grew too long.
    skipping: bool,
    /// No line end was seen yet.
    first: bool,
}

impl Framing {
    /// At the start of a line.
    pub fn new(ends: Ends) -> Framing {
        Framing { ends, open: Vec::new(), skipping: false, first: true }
    }

    /// Takes bytes and hands on the lines that they end, in order.
    pub fn feed(&mut self, mut bytes: &[u8], mut found: impl FnMut(Framed<'_>)) {
        while !bytes.is_empty() {
            let end = match self.ends {
                Ends::Lf => memchr::memchr(b'\n', bytes),
                Ends::LfOrCr => memchr::memchr2(b'\n', b'\r', bytes),
            };
            let Some(end) = end else {
                self.keep(bytes, &mut found);
                return;
            };
            let (head, rest) = (&bytes[..end], &bytes[end + 1..]);
            if self.open.is_empty() && !self.skipping && head.len() <= MAX_LINE {
                hand_on(head, self.first, &mut found);
            } else {
                self.keep(head, &mut found);
                if !self.skipping {
                    hand_on(&self.open, self.first, &mut found);
                }
                self.open.clear();
                self.skipping = false;
            }
            self.first = false;
            bytes = rest;
        }
    }

    /// Gives up the open line, as when the port is lost; says whether there was one.
    pub fn cut(&mut self) -> bool {
        let broken = !self.open.is_empty() || self.skipping;
        *self = Framing { open: std::mem::take(&mut self.open), ..Framing::new(self.ends) };
        self.open.clear();
        broken
    }

    fn keep(&mut self, bytes: &[u8], found: &mut impl FnMut(Framed<'_>)) {
        if self.skipping {
            return;
        }
        // One byte more than the bound: the CR of an end that is still to come.
        if self.open.len() + bytes.len() > MAX_LINE + 1 {
            self.open.clear();
            self.skipping = true;
            found(Framed::TooLong);
        } else {
            self.open.extend_from_slice(bytes);
        }
    }
}

fn hand_on(line: &[u8], first: bool, found: &mut impl FnMut(Framed<'_>)) {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    if line.len() > MAX_LINE {
        found(Framed::TooLong);
    } else if !line.is_empty() {
        found(if first { Framed::First(line) } else { Framed::Line(line) });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Lines (`None`: too long) of a stream that comes in the given pieces.
    fn lines<'a>(ends: Ends, pieces: impl IntoIterator<Item = &'a [u8]>) -> Vec<Option<Vec<u8>>> {
        let mut framing = Framing::new(ends);
        let mut out = Vec::new();
        for piece in pieces {
            framing.feed(piece, |framed| {
                out.push(match framed {
                    Framed::Line(line) | Framed::First(line) => Some(line.to_vec()),
                    Framed::TooLong => None,
                });
            });
            assert!(framing.open.len() <= MAX_LINE + 1);
        }
        out
    }

    #[test]
    fn lf_and_cr_lf_end_a_line() {
        let got = lines(Ends::Lf, [&b"a\nb\r\n\r\n\nc\rd\n half"[..]]);
        assert_eq!(got, [b"a".to_vec(), b"b".to_vec(), b"c\rd".to_vec()].map(Some));
        let got = lines(Ends::LfOrCr, [&b"a\rb\r\nc\n"[..]]);
        assert_eq!(got, [b"a".to_vec(), b"b".to_vec(), b"c".to_vec()].map(Some));
    }

    #[test]
    fn a_line_without_end_costs_one_fault_and_nothing_after_it() {
        let longest = vec![b'x'; MAX_LINE];
        let mut stream = longest.clone();
        stream.extend_from_slice(b"\r\n");
        stream.extend(vec![b'y'; MAX_LINE + 1]);
        stream.extend_from_slice(b"\n");
        stream.extend(vec![0u8; 3 * MAX_LINE]);
        stream.extend_from_slice(b"\nnext\n");
        let want = [Some(longest), None, None, Some(b"next".to_vec())];
        assert_eq!(lines(Ends::Lf, [&stream[..]]), want);
        assert_eq!(lines(Ends::Lf, stream.chunks(1)), want);
        assert_eq!(lines(Ends::Lf, stream.chunks(4095)), want);
    }

    #[test]
    fn a_cut_line_is_gone() {
        let mut framing = Framing::new(Ends::Lf);
        framing.feed(b"half", |_| panic!("no line yet"));
        assert!(framing.cut());
        assert!(!framing.cut());
        let mut seen = Vec::new();
        framing.feed(b"le\nwhole\n", |framed| {
            seen.push(framed == Framed::First(b"le") || framed == Framed::Line(b"whole"));
        });
        assert_eq!(seen, [true, true]);
    }

    proptest! {
        #[test]
        fn where_the_stream_is_split_does_not_matter(
            mut stream in proptest::collection::vec(
                prop_oneof![3 => any::<u8>(), 1 => Just(b'\n'), 1 => Just(b'\r')], 0..600),
            at in any::<prop::sample::Index>(),
            piece in 1usize..50,
        ) {
            stream.push(b'\n');
            for ends in [Ends::Lf, Ends::LfOrCr] {
                let whole = lines(ends, [&stream[..]]);
                let (a, b) = stream.split_at(at.index(stream.len()));
                prop_assert_eq!(&lines(ends, [a, b]), &whole);
                prop_assert_eq!(&lines(ends, stream.chunks(piece)), &whole);
            }
        }
    }
}
