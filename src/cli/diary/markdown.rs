//! A page as Markdown: CommonMark, with the tables of GitHub Flavored Markdown. Pictures are files
//! beside it.

use super::super::words::printable;
use super::page::{Block, Page, Table};
use std::fmt::Write as _;

/// The page; `file` says in which file a picture of that name is.
pub fn markdown(page: &Page, file: impl Fn(&str) -> String) -> String {
    let mut out = format!("# {}\n", plain(&page.title));
    for block in &page.blocks {
        out.push('\n');
        let _ = match block {
            Block::Heading(words) => writeln!(out, "## {}", plain(words)),
            Block::Text(words) => writeln!(out, "{}", plain(words)),
            Block::List(items) => {
                items.iter().try_for_each(|item| writeln!(out, "- {}", plain(item)))
            }
            Block::Facts(facts) => facts.iter().try_for_each(|(what, text)| {
                writeln!(out, "- **{}:** {}", plain(what), plain(text))
            }),
            Block::Table(table) => write!(out, "{}", self::table(table)),
            Block::Picture(picture) => {
                let (alt, file) = (plain(&picture.alt), address(&file(picture.name)));
                writeln!(out, "![{alt}]({file})\n\n{}", plain(&picture.caption))
            }
        };
    }
    out
}

fn table(table: &Table) -> String {
    let row = |cells: Vec<String>| format!("| {} |\n", cells.join(" | "));
    let mut out = format!("**{}**\n\n", plain(&table.caption));
    out += &row(table.head.iter().map(|head| plain(head)).collect());
    out += &row(table.head.iter().map(|_| "---".into()).collect());
    for cells in &table.rows {
        out += &row(cells.iter().map(|cell| plain(cell)).collect());
    }
    out
}

/// Words in which nothing is markup (CommonMark 0.31.2, 2.4: any punctuation of ASCII may stand
/// behind a backslash), nor becomes a link by itself (GFM 0.29, 6.9).
fn plain(words: &str) -> String {
    let words = printable(words.trim());
    let digits = words.chars().take_while(char::is_ascii_digit).count();
    let mut out = String::new();
    let mut before = String::new();
    let mut rest = words.chars().enumerate().peekable();
    while let Some((i, c)) = rest.next() {
        let next = rest.peek().map(|(_, next)| *next);
        let escaped = match c {
            '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '&' | '|' | '~' | '@' | '#' | '^'
            | '$' | '{' | '}' => true,
            ':' => next == Some('/'),
            // What would begin a list or underline a heading.
            '-' | '+' | '=' if i == 0 => true,
            '.' | ')' if i > 0 && i == digits => next.is_none_or(char::is_whitespace),
            '.' => before.eq_ignore_ascii_case("www"),
            _ => false,
        };
        if escaped {
            out.push('\\');
        }
        out.push(c);
        before = if c.is_alphanumeric() { before + c.encode_utf8(&mut [0; 4]) } else { "".into() };
    }
    out
}

/// A file's name as a relative address (RFC 3986, 2.1): what is not unreserved is percent-encoded.
fn address(file: &str) -> String {
    let mut out = String::new();
    for byte in file.bytes() {
        let _ = match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' => {
                write!(out, "{}", char::from(byte))
            }
            _ => write!(out, "%{byte:02X}"),
        };
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use pulldown_cmark::{Event, Options, Parser};

    /// What a reader of CommonMark sees of a paragraph, its extensions on; `None` where it sees
    /// more than words.
    fn seen(markdown: &str) -> Option<String> {
        let off = Options::ENABLE_SMART_PUNCTUATION;
        let mut words = String::new();
        for event in Parser::new_ext(markdown, Options::all() - off) {
            match event {
                Event::Text(text) => words += &text,
                Event::Start(pulldown_cmark::Tag::Paragraph) | Event::End(_) => {}
                _ => return None,
            }
        }
        Some(words)
    }

    #[test]
    fn hostile_words_stay_words() {
        for words in [
            "<script>alert(1)</script>",
            "[x](javascript:alert(1)) ![y](z)",
            "*a* _b_ `c` ~~d~~ **e** | f &amp; \\",
            "# no heading",
            "- no list",
            "1. no list",
            "12) no list",
            "=== no heading",
            "> no quotation",
            "http://example.test www.example.test a@example.test",
            "[^1]: no note $x$ {#id} ^up^",
            "12:40 (11:00–13:30), 0.5%",
        ] {
            assert_eq!(seen(&plain(words)).as_deref(), Some(words), "{}", plain(words));
        }
        assert_eq!(plain("12:40 (11:00–13:30), 0.5%"), "12:40 (11:00–13:30), 0.5%");
        assert_eq!(plain("http://a.test and www.a.test"), r"http\://a.test and www\.a.test");
        assert_eq!(address("ä b-1.svg"), "%C3%A4%20b-1.svg");
    }

    proptest! {
        #[test]
        fn any_words_stay_words(words in "[ -~–äß☃]{1,40}") {
            let words = words.trim();
            prop_assume!(!words.is_empty());
            prop_assert_eq!(seen(&plain(words)), Some(words.to_string()), "{}", plain(words));
        }

        #[test]
        fn any_cell_stays_a_cell(words in "[ -~]{1,40}") {
            let head = vec!["one", "other"];
            let rows = vec![vec![words.clone(), words.clone()]];
            let table = super::table(&Table { caption: words, head, rows });
            let cell = Event::Start(pulldown_cmark::Tag::TableCell);
            let all = Parser::new_ext(&table, Options::ENABLE_TABLES);
            prop_assert_eq!(all.filter(|event| *event == cell).count(), 4);
        }
    }
}
