//! Diagnostics as a person reads them: the source line with the place underlined.

use super::{Diagnostic, Severity};
use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

/// Renders diagnostics of one source text. Colour only if asked for.
pub fn render(diagnostics: &[Diagnostic], source: &str, colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut out = String::new();
    let newlines = source.match_indices('\n').map(|(at, _)| at + 1);
    let lines: Vec<usize> = std::iter::once(0).chain(newlines).collect();
    for diagnostic in diagnostics {
        out.push_str(&render_one(&renderer, diagnostic, source, &lines));
        out.push_str("\n\n");
    }
    out
}

/// `lines`: where each line of the source begins.
fn render_one(renderer: &Renderer, diagnostic: &Diagnostic, source: &str, lines: &[usize]) -> String {
    let level = match diagnostic.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let title = level.primary_title(diagnostic.message.as_str()).id(diagnostic.code.text());
    let Some((first, span)) = span_of(source, lines, diagnostic.line, diagnostic.column) else {
        return without_place(diagnostic);
    };
    // Only the lines that are shown: a file may have as many faults as it has words.
    let end = source[span.end..].find('\n').map_or(source.len(), |at| span.end + at);
    let snippet = Snippet::source(&source[first..end])
        .line_start(usize::try_from(diagnostic.line).unwrap_or(usize::MAX))
        .path(diagnostic.file.as_str())
        .annotation(AnnotationKind::Primary.span(span.start - first..span.end - first));
    let mut group = title.element(snippet);
    if let Some(help) = &diagnostic.help {
        group = group.element(Level::HELP.with_name("hint").message(help.as_str()));
    }
    let more = format!("noctule guide {}", diagnostic.code);
    group = group.element(Level::NOTE.with_name("more").message(more.as_str()));
    renderer.render(&[group]).to_string()
}

/// A fault of a whole file, or of a place that its text does not have.
fn without_place(diagnostic: &Diagnostic) -> String {
    let word = if diagnostic.severity == Severity::Error { "error" } else { "warning" };
    let place = if diagnostic.line == 0 { String::new() } else { format!(":{}", diagnostic.line) };
    let (code, file, message) = (diagnostic.code, &diagnostic.file, &diagnostic.message);
    let mut text = format!("{word}[{code}]: {message}\n --> {file}{place}\n");
    if let Some(help) = &diagnostic.help {
        text += &format!("  = hint: {help}\n");
    }
    text += &format!("  = more: noctule guide {code}");
    text
}

/// Where the line of a place begins, and the bytes of the word or quoted text that begins there; none if there is no
/// such place.
fn span_of(source: &str, lines: &[usize], line: u32, column: u32) -> Option<(usize, std::ops::Range<usize>)> {
    let start = *lines.get(usize::try_from(line).ok()?.checked_sub(1)?)?;
    let text = source[start..].split('\n').next().unwrap_or("");
    let skip = usize::try_from(column).unwrap_or(1).saturating_sub(1);
    let offset = text.char_indices().nth(skip).map_or(text.len(), |(at, _)| at);
    let rest = &text[offset..];
    let length = word_length(rest).min(rest.len());
    Some((start, start + offset..start + offset + length))
}

fn word_length(rest: &str) -> usize {
    if let Some(inside) = rest.strip_prefix('"') {
        return inside.find('"').map_or(rest.len(), |end| end + 2);
    }
    let unsigned = rest.strip_prefix('-').unwrap_or(rest);
    if unsigned.starts_with(|c: char| c.is_ascii_digit()) {
        return rest.len() - unsigned.len() + number_length(unsigned);
    }
    let word = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
    if word > 0 { word } else { rest.chars().next().map_or(0, char::len_utf8) }
}

/// A number with its unit, `1.5.mT`.
fn number_length(rest: &str) -> usize {
    let part_of = |c: char| c.is_alphanumeric() || c == '_' || c == '.';
    let length = rest.find(|c: char| !part_of(c)).unwrap_or(rest.len());
    // `0..5` is a range, and `5.;` no unit.
    let length = rest.find("..").map_or(length, |range| range.min(length));
    rest[..length].trim_end_matches('.').len()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Code;

    #[test]
    fn the_place_is_underlined() {
        let source = "let x = 1;\nsett(\"bias\", 5.mV);\n";
        let diagnostic =
            Diagnostic::error(Code::UnknownVerb, "night.rhai", (2, 1), "there is no verb `sett`")
                .with_help(Some("did you mean `set`?".to_owned()));
        let text = render(&[diagnostic], source, false);
        assert!(text.contains("error[S03]: there is no verb `sett`"), "{text}");
        assert!(text.contains("^^^^"), "{text}");
        assert!(text.contains("hint: did you mean `set`?"), "{text}");
    }

    #[test]
    fn a_place_past_the_end_does_no_harm() {
        let diagnostic = Diagnostic::error(Code::SequenceSyntax, "a", (99, 3), "odd");
        assert!(render(&[diagnostic], "one\n", false).contains("odd"));
    }
}
