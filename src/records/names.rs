//! The rules for names: what may be one, so that it harms no terminal, path, page or table; and how
//! any text is shown so that it harms none.

use std::borrow::Cow;

/// Why a text cannot be a name.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NameError {
    /// Nothing there.
    #[error("a name cannot be empty")]
    Empty,
    /// More than 64 characters.
    #[error("a name has at most 64 characters")]
    TooLong,
    /// Control characters or `/`.
    #[error("a name cannot hold control characters or '/'")]
    Character,
    /// A blank at either end.
    #[error("a name cannot begin or end with a blank")]
    Blank,
    /// Begins like a spreadsheet formula.
    #[error("a name cannot begin with '=', '+', '-' or '@' (a formula in spreadsheets)")]
    Formula,
}

/// Checks the rules for names: 1–64 printable characters, no control characters, no `/`, no blank
/// at either end, and not beginning like a spreadsheet formula (`=`, `+`, `-`, `@`).
pub fn check_name(text: &str) -> Result<(), NameError> {
    if text.is_empty() {
        return Err(NameError::Empty);
    }
    if text.chars().count() > 64 {
        return Err(NameError::TooLong);
    }
    if text.chars().any(|c| c == '/' || is_hidden(c)) {
        return Err(NameError::Character);
    }
    if text.trim() != text {
        return Err(NameError::Blank);
    }
    if begins_a_formula(text) {
        return Err(NameError::Formula);
    }
    Ok(())
}

/// Whether a spreadsheet would take a cell with this text for a formula; some take the wide forms
/// of these signs as well.
pub fn begins_a_formula(text: &str) -> bool {
    text.starts_with(['=', '+', '-', '@', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}'])
}

/// Control characters, and those that show nothing or change the order of others: text with them
/// could hide, or command a terminal. (Unicode's Bidi_Control and Default_Ignorable_Code_Point,
/// PropList and DerivedCoreProperties, save the variation selectors, which choose a picture.)
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(
            u32::from(c),
            0xad | 0x34f
                | 0x61c
                | 0x115f..=0x1160
                | 0x17b4..=0x17b5
                | 0x180b..=0x180f
                | 0x200b..=0x200f
                | 0x2028..=0x202e
                | 0x2060..=0x206f
                | 0x3164
                | 0xfeff
                | 0xffa0
                | 0xfff0..=0xfffb
                | 0x1bca0..=0x1bca3
                | 0x1d173..=0x1d17a
                | 0xe0000..=0xe0fff
        )
}

/// Text from files, safe on a terminal: what does not print is spelled out.
pub fn printable(text: &str) -> Cow<'_, str> {
    if !text.contains(is_hidden) {
        return text.into();
    }
    let spelled = |c: char| match is_hidden(c) {
        true => c.escape_default().collect(),
        false => String::from(c),
    };
    text.chars().map(spelled).collect::<String>().into()
}

/// A name as a shell takes it: in quotes where it needs them.
pub fn shell_word(text: &str) -> Cow<'_, str> {
    let plain =
        |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ':' | ',' | '+' | '@' | '/');
    if !text.is_empty() && !text.starts_with('-') && text.chars().all(plain) {
        return text.into();
    }
    format!("'{}'", text.replace('\'', r"'\''")).into()
}

/// The stored name nearest to one that is not there, if it is near enough to be a slip.
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let typed = name.to_lowercase();
    known
        .into_iter()
        .map(|known| (strsim::damerau_levenshtein(&typed, &known.to_lowercase()), known))
        .filter(|(slips, known)| {
            let length = known.chars().count();
            *slips <= length.div_ceil(4).min(3) && *slips < length
        })
        .min()
        .map(|(_, known)| known)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_held_to_the_rules() {
        assert_eq!(check_name("shelf-a:cell-1"), Ok(()));
        assert_eq!(check_name(""), Err(NameError::Empty));
        assert_eq!(check_name(&"x".repeat(65)), Err(NameError::TooLong));
        for bad in
            ["a/b", "a\u{1b}[31m", "a\nb", "a\u{202e}b", "a\u{ad}b", "\u{3164}", "a\u{e0041}"]
        {
            assert_eq!(check_name(bad), Err(NameError::Character));
        }
    }

    #[test]
    fn a_slip_finds_its_name_and_nonsense_none() {
        let known = ["planter-1", "planter-2", "jar-1", "north"];
        assert_eq!(nearest("plnater-1", known), Some("planter-1"));
        assert_eq!(nearest("Jar-1", known), Some("jar-1"));
        assert_eq!(nearest("nroth", known), Some("north"));
        assert_eq!(nearest("teapot", known), None);
        assert_eq!(nearest("", known), None);
        assert_eq!(nearest("x", ["y"]), None);
        assert_eq!(nearest("Y", ["y"]), Some("y"));
    }
}
