//! A light look at the text itself: where statements end and words stand, also where the parser gave up.

/// One statement at the top level of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Piece {
    /// Byte where it begins and where it ends.
    pub(super) from: usize,
    pub(super) to: usize,
}

/// What stands at one place of the text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Item {
    /// A letter, digit or `_`.
    Word,
    /// Any other sign of code.
    Sign(u8),
    /// Within a text, or its quotes.
    Text,
    /// White space and comments.
    Nothing,
}

/// What every byte of the text belongs to.
fn items(text: &str) -> Vec<Item> {
    let bytes = text.as_bytes();
    let mut items = Vec::with_capacity(bytes.len());
    while items.len() < bytes.len() {
        let at = items.len();
        let rest = &bytes[at..];
        let (length, item) = match rest[0] {
            b'/' if rest.get(1) == Some(&b'/') => (until(rest, b"\n"), Item::Nothing),
            b'/' if rest.get(1) == Some(&b'*') => (comment(rest), Item::Nothing),
            b'"' => (quoted(rest, b'"'), Item::Text),
            b'\'' => (quoted(rest, b'\''), Item::Text),
            b'`' => (backticked(rest), Item::Text),
            c if c.is_ascii_whitespace() => (1, Item::Nothing),
            c if c.is_ascii_alphanumeric() || c == b'_' || c >= 0x80 => (1, Item::Word),
            c => (1, Item::Sign(c)),
        };
        items.extend(std::iter::repeat_n(item, length.clamp(1, rest.len())));
    }
    items
}

fn until(rest: &[u8], end: &[u8]) -> usize {
    rest.windows(end.len()).position(|w| w == end).unwrap_or(rest.len())
}

fn comment(rest: &[u8]) -> usize {
    let mut depth = 0_usize;
    let mut at = 0;
    while at < rest.len() {
        match &rest[at..] {
            [b'/', b'*', ..] => {
                depth += 1;
                at += 2;
            }
            [b'*', b'/', ..] => {
                depth -= 1;
                at += 2;
                if depth == 0 {
                    return at;
                }
            }
            _ => at += 1,
        }
    }
    rest.len()
}

/// A quoted text; one that is not closed ends with its line.
fn quoted(rest: &[u8], quote: u8) -> usize {
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            b'\\' => at += 2,
            b'\n' => return at,
            c if c == quote => return at + 1,
            _ => at += 1,
        }
    }
    rest.len()
}

/// A text in backticks, with values in `${…}`.
fn backticked(rest: &[u8]) -> usize {
    let mut at = 1;
    let mut depth = 0_usize;
    while at < rest.len() {
        match rest[at] {
            b'`' if depth == 0 => return at + 1,
            b'$' if rest.get(at + 1) == Some(&b'{') => {
                depth += 1;
                at += 1;
            }
            b'{' if depth > 0 => depth += 1,
            b'}' if depth > 0 => depth -= 1,
            _ => {}
        }
        at += 1;
    }
    rest.len()
}

/// The statements at the top level, as well as brackets tell them apart.
pub(super) fn pieces(text: &str) -> Vec<Piece> {
    let items = items(text);
    let balanced = is_balanced(&items);
    let mut pieces = Vec::new();
    let mut depth = 0_usize;
    let mut from = 0;
    for (at, item) in items.iter().enumerate() {
        // Where brackets don't match, a line that begins at the margin is taken for a new statement.
        let margin = !balanced && *item == Item::Word && at > 0 && text.as_bytes()[at - 1] == b'\n';
        if margin && depth > 0 {
            pieces.push(Piece { from, to: at });
            from = at;
            depth = 0;
        }
        match item {
            Item::Sign(b'(' | b'[' | b'{') => depth += 1,
            Item::Sign(b')' | b']') => depth = depth.saturating_sub(1),
            Item::Sign(b'}') => {
                depth = depth.saturating_sub(1);
                if depth == 0 && begins_statement(text, &items, at + 1) {
                    pieces.push(Piece { from, to: at + 1 });
                    from = at + 1;
                }
            }
            Item::Sign(b';') if depth == 0 => {
                pieces.push(Piece { from, to: at + 1 });
                from = at + 1;
            }
            _ => {}
        }
    }
    pieces.push(Piece { from, to: text.len() });
    pieces.retain(|piece| items[piece.from..piece.to].iter().any(|item| *item != Item::Nothing));
    pieces
}

/// Where the call ends that begins at a byte: behind the bracket that closes its first one.
pub(super) fn call_end(text: &str, from: usize) -> usize {
    let mut depth = 0_usize;
    for (at, item) in items(text).iter().enumerate().skip(from) {
        match item {
            Item::Sign(b'(' | b'[' | b'{') => depth += 1,
            Item::Sign(b')' | b']' | b'}') if depth > 1 => depth -= 1,
            Item::Sign(b')' | b']' | b'}' | b';') if depth < 2 => return at,
            _ => {}
        }
    }
    text.len()
}

fn is_balanced(items: &[Item]) -> bool {
    let mut depth = 0_i64;
    for item in items {
        match item {
            Item::Sign(b'(' | b'[' | b'{') => depth += 1,
            Item::Sign(b')' | b']' | b'}') => depth -= 1,
            _ => {}
        }
    }
    depth == 0
}

/// Whether what follows a closing brace is a new statement.
fn begins_statement(text: &str, items: &[Item], from: usize) -> bool {
    let Some(start) = items[from..].iter().position(|i| *i != Item::Nothing).map(|i| from + i) else {
        return true;
    };
    if items[start] != Item::Word {
        return items[start] == Item::Sign(b'{');
    }
    let word = word_at(text, items, start);
    !matches!(word, "else" | "catch" | "while" | "until" | "as")
}

fn word_at<'t>(text: &'t str, items: &[Item], start: usize) -> &'t str {
    let end = items[start..].iter().position(|i| *i != Item::Word).map_or(text.len(), |i| start + i);
    &text[start..end]
}

/// Every word of the code with its byte, in order.
pub(super) fn words(text: &str) -> Vec<(usize, &str)> {
    let items = items(text);
    let mut found = Vec::new();
    let mut at = 0;
    while at < items.len() {
        if items[at] == Item::Word {
            let word = word_at(text, &items, at);
            found.push((at, word));
            at += word.len();
        } else {
            at += 1;
        }
    }
    found
}

/// Line and column of a byte, from 1, in characters.
pub(super) fn place_of(text: &str, byte: usize) -> (u32, u32) {
    let mut byte = byte.min(text.len());
    while !text.is_char_boundary(byte) {
        byte -= 1;
    }
    let before = &text[..byte];
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    (u32::try_from(line).unwrap_or(u32::MAX), u32::try_from(column).unwrap_or(u32::MAX))
}

/// The byte at a line and a column counted in characters, both from 1.
pub(super) fn byte_at(text: &str, (line, column): (u32, u32)) -> Option<usize> {
    let (line, column) = (usize::try_from(line).ok()?, usize::try_from(column).ok()?);
    let from = match line {
        0 | 1 => 0,
        _ => text.match_indices('\n').nth(line - 2)?.0 + 1,
    };
    let within = text[from..].char_indices().nth(column.checked_sub(1)?)?;
    Some(from + within.0)
}

/// The number that a text ends with, whatever white space of the same line follows it.
pub(super) fn number_before(text: &str) -> Option<&str> {
    let text = text.trim_end_matches([' ', '\t']);
    let digits =
        |text: &str| text.trim_end_matches(|c: char| c.is_ascii_digit() || c == '.' || c == '_').len();
    let mut from = digits(text);
    // The exponent of 1.5e-10 comes first from behind.
    let before = text[..from].trim_end_matches(['+', '-']);
    if before.len() + 1 >= from && before.ends_with(['e', 'E']) {
        let mantissa = digits(&before[..before.len() - 1]);
        if mantissa + 1 < before.len() {
            from = mantissa;
        }
    }
    let number = &text[from..];
    let word = text[..from].ends_with(|c: char| c.is_alphanumeric() || c == '_');
    (number.starts_with(|c: char| c.is_ascii_digit()) && !word).then_some(number)
}

/// The number at the beginning of a text, with the unit behind its point: `60` and `pA` of `60.pA`.
pub(super) fn plain_quantity(text: &str) -> Option<(&str, &str)> {
    let digits = |text: &str| text.find(|c: char| !c.is_ascii_digit() && c != '_').unwrap_or(text.len());
    let sign = usize::from(text.starts_with('-'));
    let whole = sign + digits(&text[sign..]);
    let mut end = whole;
    if text[whole..].starts_with('.') {
        let more = digits(&text[whole + 1..]);
        if more > 0 {
            end = whole + 1 + more;
        }
    }
    let unit = text[end..].strip_prefix('.')?;
    let length = unit.find(|c: char| !c.is_ascii_alphanumeric()).unwrap_or(unit.len());
    let alone = unit[length..].trim_start().starts_with([')', ',', '}', ']', ';']);
    (whole > sign && length > 0 && alone).then(|| (&text[..end], &unit[..length]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn split(text: &str) -> Vec<&str> {
        pieces(text).into_iter().map(|p| text[p.from..p.to].trim()).collect()
    }

    #[test]
    fn statements_are_told_apart() {
        let text = "let a = 1; // b; c\nif a { note(\"x;}\"); } else { b(); }\nfn f() { 1 }\nlet t = `${ if a { \"}\" } }`;";
        let found = split(text);
        assert_eq!(found.len(), 4, "{found:?}");
        assert!(found[1].ends_with("else { b(); }"));
        assert_eq!(found[3], "let t = `${ if a { \"}\" } }`;");
    }

    #[test]
    fn a_bracket_left_open_does_not_swallow_the_rest() {
        let found = split("wait(2.s;\nset(\"Bias\", 5.mV);\nnote(\"x\");");
        assert_eq!(found.len(), 3, "{found:?}");
    }

    #[test]
    fn odd_texts_end() {
        for text in ["\"", "`${", "/*", "'", "\\", "é`ä", "\"a\\", "}}}}", "/**/*/"] {
            assert!(pieces(text).len() <= 4, "{text}");
            words(text);
        }
    }

    #[test]
    fn places_count_characters() {
        assert_eq!(place_of("äb\ncé", "äb\nc".len()), (2, 2));
    }
}
