//! Reads one file of a sequence, and goes on behind a fault of syntax as well as it can.

use super::program::Program;
use super::{habits, scan};
use crate::diagnostic::{Code, Diagnostic};
use crate::script::units::UNIT_NAMES;
use rhai::{AST, Engine, Expr, LexError, ParseError, ParseErrorType, Stmt};
use std::collections::{BTreeMap, BTreeSet};

/// Positions of the parser end at this line.
const MOST_LINES: usize = 65_535;

/// One file of a sequence.
#[derive(Debug)]
pub(super) struct File {
    /// As it is named in messages.
    pub(super) name: String,
    pub(super) text: String,
    pub(super) program: Program,
    /// Whether some of it could not be parsed.
    pub(super) broken: bool,
    /// Names that are declared in what could not be parsed.
    pub(super) lost_names: BTreeSet<String>,
    /// All words in it.
    pub(super) lost_words: BTreeSet<String>,
    /// Where the names of functions stand.
    pub(super) functions: BTreeMap<String, Vec<(u32, u32)>>,
    /// Faults of syntax.
    pub(super) found: Vec<Diagnostic>,
    /// Paths of imports that are written out.
    pub(super) imports: Vec<String>,
}

impl File {
    /// Reads a text.
    pub(super) fn read(engine: &Engine, name: &str, text: &str) -> Self {
        let mut file = Self {
            name: name.to_owned(),
            text: text.to_owned(),
            program: Program::default(),
            broken: false,
            lost_names: BTreeSet::new(),
            lost_words: BTreeSet::new(),
            functions: function_names(text),
            found: Vec::new(),
            imports: Vec::new(),
        };
        if text.lines().count() > MOST_LINES {
            let message =
                format!("a sequence has at most {MOST_LINES} lines; put parts of it into files to import");
            file.found.push(Diagnostic::error(Code::SequenceSyntax, name, (1, 1), message));
            file.broken = true;
            return file;
        }
        match engine.compile(text) {
            Ok(ast) => file.take(&ast),
            Err(error) => file.recover(engine, &error),
        }
        file
    }

    fn take(&mut self, ast: &AST) {
        ast.walk(&mut |path: &[rhai::ASTNode]| {
            if let Some(rhai::ASTNode::Stmt(Stmt::Import(parts, _))) = path.last()
                && let Expr::StringConstant(written, _) = &parts.0
            {
                self.imports.push(written.to_string());
            }
            true
        });
        self.program.add(ast);
    }

    /// The parser stops at its first error, so each statement is parsed for itself.
    fn recover(&mut self, engine: &Engine, first: &ParseError) {
        self.broken = true;
        let text = self.text.clone();
        self.complain(first, text.trim_end().len());
        for piece in scan::pieces(&text) {
            let lines = text[..piece.from].matches('\n').count();
            let columns = text[..piece.from].rsplit('\n').next().unwrap_or("").chars().count();
            let source = &text[piece.from..piece.to];
            let padded = format!("{}{}{source}", "\n".repeat(lines), " ".repeat(columns));
            match engine.compile(&padded) {
                Ok(ast) => self.take(&ast),
                Err(error) => {
                    self.complain(&error, piece.from + source.trim_end().len());
                    self.lose(source);
                }
            }
        }
    }

    fn complain(&mut self, error: &ParseError, end: usize) {
        let position = error.position();
        let place = match (position.line(), position.position()) {
            (Some(_), Some(_)) => super::walk::place(position),
            _ => scan::place_of(&self.text, end),
        };
        // The whole file and the statement alone may complain about one thing at different places.
        let same_line = self.found.iter().any(|d| d.line == place.0);
        let at_end = place == scan::place_of(&self.text, self.text.trim_end().len());
        if same_line || (at_end && !self.found.is_empty()) {
            return;
        }
        let wanted =
            missing_point(&self.text, place, error).or_else(|| habits::other_habit(&self.text, place, error));
        let (code, message, help) = match wanted {
            Some((message, help)) => (Code::SequenceSyntax, message, Some(help)),
            None => in_words(error),
        };
        let help = help
            .unwrap_or_else(|| "what else is in this statement is checked once this is mended".to_owned());
        self.found.push(Diagnostic::error(code, &self.name, place, message).with_help(help));
    }

    /// What a statement that can't be parsed would have declared.
    fn lose(&mut self, source: &str) {
        let words = scan::words(source);
        for pair in words.windows(2) {
            if matches!(pair[0].1, "let" | "const" | "fn" | "for" | "as" | "in") {
                self.lost_names.insert(pair[1].1.to_owned());
            }
        }
        self.lost_words.extend(words.into_iter().map(|(_, word)| word.to_owned()));
    }
}

/// Where `fn name` stands.
fn function_names(text: &str) -> BTreeMap<String, Vec<(u32, u32)>> {
    let mut found: BTreeMap<String, Vec<(u32, u32)>> = BTreeMap::new();
    for pair in scan::words(text).windows(2) {
        if pair[0].1 == "fn" {
            found.entry(pair[1].1.to_owned()).or_default().push(scan::place_of(text, pair[1].0));
        }
    }
    found
}

/// A unit that stands behind its number without the point: `60mV`, `60 mV`.
fn missing_point(text: &str, place: (u32, u32), error: &ParseError) -> Option<(String, String)> {
    if !matches!(error.err_type(), ParseErrorType::MissingToken(..)) {
        return None;
    }
    let at = scan::byte_at(text, place)?;
    let unit = word_at(&text[at..]);
    let number = scan::number_before(&text[..at])?;
    UNIT_NAMES.contains(&unit).then(|| {
        let message = format!("a point is missing between the number and its unit `{unit}`");
        (message, format!("write {number}.{unit}"))
    })
}

/// The word at the beginning of a text.
pub(super) fn word_at(text: &str) -> &str {
    let length = text.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(text.len());
    &text[..length]
}

/// An error of the parser as a plain sentence, with a hint.
fn in_words(error: &ParseError) -> (Code, String, Option<String>) {
    let kind = error.err_type();
    let syntax = |message: String, help: &str| {
        (Code::SequenceSyntax, message, (!help.is_empty()).then(|| help.to_owned()))
    };
    match kind {
        ParseErrorType::BadInput(lexical) if lexical.to_string().contains("'eval'") => (
            Code::Forbidden,
            "`eval` would run what nobody has checked".to_owned(),
            Some("write the lines out, or make a function of them".to_owned()),
        ),
        ParseErrorType::BadInput(LexError::MalformedChar(inside)) => syntax(
            "single quotes hold one sign only".to_owned(),
            &format!("text stands in double quotes: \"{}\"", inside.trim_matches('\'')),
        ),
        ParseErrorType::Reserved(word) if word == "var" => {
            syntax("`var` declares nothing here".to_owned(), "a variable is declared with `let`")
        }
        ParseErrorType::Reserved(word) => syntax(
            format!("`{word}` is a word of the language"),
            &format!("choose another name, like `my_{word}`"),
        ),
        ParseErrorType::MissingToken(token, _) if token == ";" => {
            syntax("a `;` is missing before this".to_owned(), "put a `;` at the end of the line before")
        }
        ParseErrorType::MissingToken(token, why) => {
            syntax(format!("a `{token}` is missing here {why}"), habits::missing(token))
        }
        ParseErrorType::BadInput(LexError::UnterminatedString) => {
            syntax("a text is not closed".to_owned(), "put a \" at its end, in the same line")
        }
        ParseErrorType::UnexpectedEOF => syntax(
            "the text ends in the middle of a statement".to_owned(),
            "a bracket or a quote is still open",
        ),
        ParseErrorType::AssignmentToConstant(name) => syntax(
            format!("`{name}` is a constant, its value can't change"),
            "declare it with `let` instead of `const`",
        ),
        ParseErrorType::VariableExpected => syntax(
            "the name of a variable is expected here".to_owned(),
            "words of the language can't be names",
        ),
        ParseErrorType::FnDuplicatedDefinition(name, _) => {
            syntax(format!("there are two functions `{name}`"), "give one of them another name")
        }
        other => {
            let text = other.to_string();
            let mut letters = text.chars();
            let first = letters.next().map(|c| c.to_lowercase().collect::<String>()).unwrap_or_default();
            syntax(format!("this is not valid: {first}{}", letters.as_str()), "")
        }
    }
}
