//! Habits from other languages, told by the words and signs at the place where the parser gave up.

use super::file::word_at;
use super::scan;
use rhai::{ParseError, ParseErrorType};

/// Signs and words of other languages with what stands for them here.
const OTHERS: &[(&str, &str, &str)] = &[
    ("++", "`++` counts nothing here", "write n += 1"),
    ("--", "`--` counts nothing here", "write n -= 1"),
    ("===", "`===` compares nothing here", "two values are compared with =="),
    ("!==", "`!==` compares nothing here", "two values are compared with !="),
    ("<>", "`<>` compares nothing here", "two values are compared with !="),
    ("=<", "`=<` compares nothing here", "write <="),
    ("=>", "`=>` compares nothing here", "write >="),
    (":=", "`:=` gives no variable a value here", "a variable is declared with let and =, like let x = 5;"),
    ("<-", "`<-` gives no variable a value here", "a variable is declared with let and =, like let x = 5;"),
    ("->", "`->` has no meaning here", "a field of a map is written with a point, map.name"),
    ("and", "two conditions are not joined by `and`", "write && for and, || for or, ! for not"),
    ("or", "two conditions are not joined by `or`", "write && for and, || for or, ! for not"),
    ("not", "a condition is not turned round by `not`", "write && for and, || for or, ! for not"),
    ("elif", "`elif` is no word here", "write else if … { … }"),
    ("elseif", "`elseif` is no word here", "write else if … { … }"),
    ("elsif", "`elsif` is no word here", "write else if … { … }"),
    ("then", "`then` is no word here", "a block stands in braces: if … { … } else { … }"),
    ("end", "`end` is no word here", "a block stands in braces: if … { … }"),
    ("foreach", "`foreach` is no word here", "write for item in list { … }"),
    ("except", "`except` is no word here", "write try { … } catch (error) { … }"),
    ("raise", "`raise` is no word here", "write throw \"why\";"),
    ("lambda", "`lambda` is no word here", "a function without a name is written |x| 2 * x"),
];

/// Words that declare a function elsewhere.
const FUNCTIONS: &[&str] = &["def", "function", "func", "fun", "sub", "proc"];

/// What somebody used to another language may have meant, with what to write.
pub(super) fn other_habit(text: &str, place: (u32, u32), error: &ParseError) -> Option<(String, String)> {
    let line = text.lines().nth(usize::try_from(place.0).ok()?.checked_sub(1)?)?;
    let byte = scan::byte_at(text, place).unwrap_or(text.len());
    function_word(line)
        .or_else(|| arrow(line))
        .or_else(|| remark(text, byte, error))
        .or_else(|| counting_for(line))
        .or_else(|| number_for(line))
        .or_else(|| from_the_table(text, byte, line))
        .or_else(|| bare_map(text, byte, error))
        .or_else(|| colon_block(line, error))
        .or_else(|| reserved(text, byte, error))
        .or_else(|| micro(text, byte))
        .or_else(|| named_arguments(text, byte, error))
        .or_else(|| colon_range(line))
        .or_else(|| per_cent(line))
        .or_else(|| one_too_many(text, byte, error))
}

/// `list.filter(item => …)`, and `else => …` in a switch.
fn arrow(line: &str) -> Option<(String, String)> {
    let (before, _) = line.split_once("=>")?;
    let before = before.trim_end();
    let name = before.rsplit(|c: char| !c.is_alphanumeric() && c != '_').next()?;
    if matches!(name, "else" | "default" | "otherwise") {
        return Some((
            format!("`{name}` is no case of a switch"),
            "write _ => … for everything else".to_owned(),
        ));
    }
    let handed = before[..before.len() - name.len()].trim_end_matches('(').trim_end();
    let closure =
        !name.is_empty() && before[..before.len() - name.len()].ends_with('(') && !handed.ends_with("switch");
    closure.then(|| ("a function is not written with `=>`".to_owned(), format!("write |{name}| …")))
}

/// A word of the language as the name of a variable.
fn reserved(text: &str, byte: usize, error: &ParseError) -> Option<(String, String)> {
    let word = word_at(&text[byte..]);
    let wanted = matches!(error.err_type(), ParseErrorType::VariableExpected) && !word.is_empty();
    wanted.then(|| {
        (format!("`{word}` is a word of the language"), format!("choose another name, like `my_{word}`"))
    })
}

/// `500.µV`.
fn micro(text: &str, byte: usize) -> Option<(String, String)> {
    let rest = text[byte..].strip_prefix(['µ', 'μ'])?;
    let number =
        scan::number_before(text[..byte].strip_suffix('.').unwrap_or(&text[..byte])).unwrap_or("500");
    Some((
        "the sign for micro can't be written here".to_owned(),
        format!("write u for it, {number}.u{}", word_at(rest)),
    ))
}

/// `sweep(channel: "Bias", …)`.
fn named_arguments(text: &str, byte: usize, error: &ParseError) -> Option<(String, String)> {
    let missing = matches!(error.err_type(), ParseErrorType::MissingToken(token, _) if token == ",");
    let colon = missing && text[byte..].starts_with([':', '=']) && !text[byte..].starts_with("==");
    let before = text[..byte].trim_end();
    let name =
        before.rsplit(|c: char| !c.is_alphanumeric() && c != '_').next().filter(|name| !name.is_empty())?;
    colon.then(|| {
        ("values with names stand in a map".to_owned(), format!("write #{{ {name}: …, … }} in the brackets"))
    })
}

/// `for i in 0:5`.
fn colon_range(line: &str) -> Option<(String, String)> {
    let (_, items) = line.trim_start().strip_prefix("for ")?.split_once(" in ")?;
    let (from, rest) = items.split_once(':')?;
    let to = word_at(rest.trim_start());
    let plain = |word: &str| !word.is_empty() && word.chars().all(|c| c.is_ascii_digit());
    (plain(from.trim()) && plain(to))
        .then(|| ("a range is not written with a colon".to_owned(), format!("write {}..{to}", from.trim())))
}

/// `50%`.
fn per_cent(line: &str) -> Option<(String, String)> {
    let (before, after) = line.split_once('%')?;
    let number = scan::number_before(before.trim_end())?;
    let ends = after.trim_start().is_empty() || after.trim_start().starts_with([')', ';', ',', ']', '}']);
    let part = number.parse::<f64>().ok().filter(|_| ends)? / 100.0;
    Some(("`%` is no per cent here".to_owned(), format!("write the part as a number, {part}")))
}

/// A bracket that closes nothing.
fn one_too_many(text: &str, byte: usize, error: &ParseError) -> Option<(String, String)> {
    let sign = text[byte..].chars().next().filter(|sign| ")]}".contains(*sign))?;
    let ended = matches!(error.err_type(), ParseErrorType::MissingToken(token, _) if token == ";");
    ended.then(|| (format!("this `{sign}` closes nothing"), format!("leave out one `{sign}`")))
}

/// A function that begins with the word of another language.
fn function_word(line: &str) -> Option<(String, String)> {
    let line = line.trim_start();
    let word = word_at(line);
    let name = word_at(line[word.len()..].trim_start());
    (FUNCTIONS.contains(&word) && !name.is_empty()).then(|| {
        let message = format!("a function begins with `fn`, not with `{word}`");
        (message, format!("write fn {name}(…) {{ … }}"))
    })
}

/// A remark that does not begin with two strokes.
fn remark(text: &str, byte: usize, error: &ParseError) -> Option<(String, String)> {
    let reserved = matches!(error.err_type(), ParseErrorType::Reserved(sign) if sign == "#");
    let begins = text[byte..].starts_with('#') && !text[byte..].starts_with("#{");
    (reserved || begins).then(|| {
        let rest = text[byte..].trim_start_matches('#').trim_start().lines().next().unwrap_or("");
        ("`#` begins no remark here".to_owned(), format!("write // {rest}").trim_end().to_owned())
    })
}

/// `for (i = 0; i < 10; i++)`.
fn counting_for(line: &str) -> Option<(String, String)> {
    let rest = line.trim_start().strip_prefix("for")?.trim_start().strip_prefix('(')?;
    rest.contains(';').then(|| {
        let words = scan::words(rest);
        let name = words.iter().map(|(_, word)| *word).find(|word| !matches!(*word, "let" | "int" | "var"));
        let message = "a `for` goes through a list or a range".to_owned();
        (message, format!("write for {} in 0..10 {{ … }}", name.unwrap_or("i")))
    })
}

/// `for i in 10`.
fn number_for(line: &str) -> Option<(String, String)> {
    let rest = line.trim_start().strip_prefix("for ")?;
    let (name, items) = rest.split_once(" in ")?;
    let number = word_at(items.trim_start());
    let follows = items.trim_start()[number.len()..].trim_start();
    let alone = number.chars().all(|c| c.is_ascii_digit()) && !number.is_empty() && follows.starts_with('{');
    alone.then(|| {
        let message = "a `for` goes through a list or a range, not through one number".to_owned();
        (message, format!("write for {} in 0..{number} {{ … }}", name.trim()))
    })
}

/// A word or sign of the table at the place, or just before it.
fn from_the_table(text: &str, byte: usize, line: &str) -> Option<(String, String)> {
    let before = text[..byte].trim_end();
    let known = |(word, ..): &&(&str, &str, &str)| {
        let letters = word.chars().all(char::is_alphabetic);
        if letters {
            let last = before.rsplit(|c: char| !c.is_alphanumeric() && c != '_').next();
            // The whole statement and the line alone may be complained about at different places.
            word_at(&text[byte..]) == *word
                || last == Some(*word)
                || scan::words(line).iter().any(|w| w.1 == *word)
        } else {
            text[byte..].starts_with(word) || before.ends_with(word)
        }
    };
    OTHERS.iter().find(known).map(|(sign, message, help)| {
        let name = before.trim_end_matches(sign).rsplit(|c: char| !c.is_alphanumeric() && c != '_').next();
        let name = name.filter(|name| !name.is_empty() && help.contains("write n ")).unwrap_or("n");
        ((*message).to_owned(), help.replace("write n ", &format!("write {name} ")))
    })
}

/// A map without its `#`, or with `=` for `:`.
fn bare_map(text: &str, byte: usize, error: &ParseError) -> Option<(String, String)> {
    let at = &text[byte..];
    if at.starts_with('=')
        && matches!(error.err_type(), ParseErrorType::MissingToken(token, _) if token == ":")
    {
        return Some((
            "a map gives each name its value with `:`".to_owned(),
            "write #{ name: value, … }".to_owned(),
        ));
    }
    let open = text[..byte].rfind('{')?;
    let head = text[..open].rsplit(['\n', ';', '}']).next().unwrap_or("");
    if scan::words(head).iter().any(|(_, word)| *word == "switch") && at.starts_with(':') {
        let message = "a case of a switch is written with `=>`".to_owned();
        return Some((
            message,
            "write \"word\" => …, with a comma behind it, and _ => … for everything else".to_owned(),
        ));
    }
    let inside = text[open + 1..].trim_start();
    let name = word_at(inside.trim_start_matches('"'));
    let colon =
        inside.trim_start_matches('"')[name.len()..].trim_start_matches('"').trim_start().starts_with(':');
    (colon && !name.is_empty() && !text[..open].ends_with(['#', '$']))
        .then(|| ("a map begins with `#{`".to_owned(), format!("write #{{ {name}: …, … }}")))
}

/// A block that begins with a colon, as where blocks are made by indentation.
fn colon_block(line: &str, error: &ParseError) -> Option<(String, String)> {
    let line = line.trim();
    let word = word_at(line);
    let block = matches!(word, "for" | "while" | "if" | "else" | "try" | "fn");
    let missing = matches!(error.err_type(), ParseErrorType::MissingToken(token, _) if token == "{");
    (block && missing && line.ends_with(':')).then(|| {
        let head = line.trim_end_matches(':');
        ("a block stands in braces, not behind a colon".to_owned(), format!("write {head} {{ … }}"))
    })
}

/// What to do where a sign is missing.
pub(super) fn missing(sign: &str) -> &'static str {
    match sign {
        "," => "put a `,` between two values, or close the bracket with `)`, `]` or `}`",
        ")" => "close the bracket with `)`",
        "]" => "close the list with `]`",
        "}" => "close the block or the map with `}`",
        "{" => "a block stands in braces: if … { … }",
        ":" => "a map gives each name its value with a colon: #{ name: value }",
        "(" => "arguments stand in brackets: name(…)",
        "in" => "write for item in list { … }",
        "catch" => "write try { … } catch (error) { note(error.message); }",
        "=" => "a variable gets its value with =, like let x = 5;",
        _ => "",
    }
}
