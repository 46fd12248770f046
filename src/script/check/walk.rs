//! Walks through the statements of one file and gathers what is wrong.

use super::Files;
use super::express::{CHANGE_THEMSELVES, last_method};
use super::file::File;
use super::program::{Function, Program, calls_in, reaching_verbs, start};
use super::run::Run;
use super::value::Value;
use crate::bench::Bench;
use crate::diagnostic::{Code, Diagnostic};
use crate::script::registry::{self, Time};
use rhai::{Expr, Position, Stmt};
use std::collections::{BTreeMap, BTreeSet};

/// Depth to which the check follows; the parser itself stops at 64.
const DEEPEST: usize = 200;

/// A variable that is in sight.
pub(super) struct Variable<'a> {
    pub(super) name: String,
    place: Position,
    used: bool,
    /// Whether it counts as a fault if nobody uses it.
    matters: bool,
    pub(super) value: Value<'a>,
}

/// Where a block stands: it decides what its last value is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tail {
    /// The last value is the value of the block.
    Used,
    /// Nobody sees it.
    Lost,
}

/// What is looked for along the way; the rest was found before.
const FOUND_ALONG: &[Code] = &[
    Code::UnknownChannel,
    Code::WrongUnit,
    Code::OutOfLimits,
    Code::NotSettable,
    Code::WrongKind,
    Code::DivisionByZero,
    Code::NotReady,
    Code::OutOfRange,
];

/// Values as other languages write them.
const OTHER_VALUES: &[(&str, &str)] = &[
    ("True", "true"),
    ("TRUE", "true"),
    ("False", "false"),
    ("FALSE", "false"),
    ("None", "()"),
    ("null", "()"),
    ("nil", "()"),
    ("NaN", "()"),
    ("pi", "PI()"),
    ("PI", "PI()"),
    ("on", "true"),
    ("off", "false"),
];

/// The walk through one file.
pub(super) struct Walk<'a> {
    pub(super) files: &'a Files,
    pub(super) bench: &'a Bench,
    pub(super) program: &'a Program,
    pub(super) file: &'a File,
    pub(super) scopes: Vec<Vec<Variable<'a>>>,
    /// Scopes below this one belong to somebody else: functions don't see the variables of the main part.
    pub(super) floor: usize,
    pub(super) reaching: BTreeSet<String>,
    /// Functions in which time passes.
    passing: BTreeSet<String>,
    /// Modules that were imported, by the name they were given; the name of their file if it could be read.
    pub(super) imports: BTreeMap<String, Option<String>>,
    depth: usize,
    pub(super) evaluations: u64,
    /// More hits of one kind at one place say nothing new.
    seen: BTreeSet<(Code, u32, u32)>,
    /// Variables of blocks that are over, with the lines where they were declared.
    closed: BTreeMap<String, usize>,
    /// What is known along the way, where the sequence is gone along.
    pub(super) running: Option<Run<'a>>,
    pub(super) found: Vec<Diagnostic>,
}

/// Line and column of a position, from 1.
pub(super) fn place(position: Position) -> (u32, u32) {
    let number = |n: Option<usize>| u32::try_from(n.unwrap_or(1)).unwrap_or(u32::MAX).max(1);
    (number(position.line()), number(position.position()))
}

/// Whether a call of this name is one to the bench.
pub(super) fn is_verb(name: &str) -> bool {
    name != "random" && registry::find(name).is_some()
}

/// Whether time may pass in a verb of this name.
fn lets_time_pass(name: &str) -> bool {
    registry::find(name).is_some_and(|verb| verb.nature.time != Time::None)
}

impl<'a> Walk<'a> {
    pub(super) fn new(files: &'a Files, bench: &'a Bench, file: &'a File) -> Self {
        let program = &file.program;
        let reaching = reaching_verbs(program, is_verb);
        Self {
            files,
            bench,
            program,
            file,
            scopes: Vec::new(),
            floor: 0,
            reaching,
            passing: reaching_verbs(program, lets_time_pass),
            imports: BTreeMap::new(),
            depth: 0,
            evaluations: 0,
            seen: BTreeSet::new(),
            closed: BTreeMap::new(),
            running: None,
            found: Vec::new(),
        }
    }

    /// The main part, then the functions.
    pub(super) fn run(&mut self) {
        let program = self.program;
        self.open();
        // What could not be parsed may have declared these; nobody knows what they hold.
        for name in &self.file.lost_names {
            self.declare(name, Position::NONE, Value::Unknown, false);
        }
        self.open();
        self.statements(&program.main, Tail::Lost);
        for function in program.functions.iter().filter(|f| !f.is_closure()) {
            self.function(function);
        }
        self.close();
        self.close();
    }

    pub(super) fn report(
        &mut self,
        code: Code,
        at: Position,
        message: impl Into<String>,
        help: Option<String>,
    ) {
        let place = place(at);
        let mut message = message.into();
        if let Some(run) = &self.running {
            if !FOUND_ALONG.contains(&code) {
                return;
            }
            message.push_str(&run.circumstances());
        }
        if self.seen.insert((code, place.0, place.1)) {
            let found = Diagnostic::error(code, &self.file.name, place, message).with_help(help);
            self.found.push(if code == Code::NotReady { found.as_warning() } else { found });
        }
    }

    pub(super) fn warn(&mut self, code: Code, at: Position, message: impl Into<String>, help: &str) {
        let place = place(at);
        if self.running.is_none() && self.seen.insert((code, place.0, place.1)) {
            let help = (!help.is_empty()).then(|| help.to_owned());
            self.found
                .push(Diagnostic::error(code, &self.file.name, place, message).with_help(help).as_warning());
        }
    }

    pub(super) fn open(&mut self) {
        self.scopes.push(Vec::new());
    }

    pub(super) fn close(&mut self) {
        for variable in self.scopes.pop().unwrap_or_default() {
            if let Some(line) = variable.place.line() {
                self.closed.insert(variable.name.clone(), line);
            }
            let named = self.file.lost_words.contains(&variable.name);
            if self.running.is_none()
                && variable.matters
                && !variable.used
                && !named
                && !variable.name.starts_with('_')
            {
                let message = format!("`{}` is never used", variable.name);
                let help = "leave it out, or begin its name with `_` if that is on purpose";
                self.warn(Code::UnusedValue, variable.place, message, help);
            }
        }
    }

    pub(super) fn declare(&mut self, name: &str, place: Position, value: Value<'a>, matters: bool) {
        let fixed = !self.program.assigned.contains(name);
        let along = self.running.is_some() && !self.is_wild(name);
        let value = match value {
            value if along => value,
            _ if !fixed => Value::Unknown,
            Value::List(_) if self.program.mutated.contains(name) => Value::List(None),
            Value::Map(_) if self.program.mutated.contains(name) => Value::Map(None),
            value => value,
        };
        if let Some(scope) = self.scopes.last_mut() {
            scope.push(Variable { name: name.to_owned(), place, used: false, matters, value });
        }
    }

    /// The value of a variable in sight; none if there is no such variable.
    pub(super) fn lookup(&mut self, name: &str, uses: bool) -> Option<Value<'a>> {
        let floor = self.floor;
        let scopes = self.scopes.iter_mut().skip(floor).rev();
        let variable = scopes.flat_map(|scope| scope.iter_mut().rev()).find(|v| v.name == name)?;
        variable.used |= uses;
        Some(variable.value.clone())
    }

    fn function(&mut self, function: &'a Function) {
        let floor = std::mem::replace(&mut self.floor, self.scopes.len());
        self.open();
        for param in &function.params {
            self.declare(param, function.begins, Value::Unknown, false);
        }
        self.statements(&function.body, Tail::Used);
        self.changes_a_copy(function);
        self.close();
        self.floor = floor;
    }

    /// A function that ends by changing a list that it was given: the list of whoever called it stays as it is.
    fn changes_a_copy(&mut self, function: &'a Function) {
        let Some(Stmt::Expr(expr)) = function.body.iter().rev().find(|s| !matches!(s, Stmt::Noop(_))) else {
            return;
        };
        let changes = last_method(expr).is_some_and(|name| CHANGE_THEMSELVES.contains(&name));
        let root = super::program::root_name(expr).filter(|name| changes && function.params.contains(name));
        if let Some(name) = root {
            let message = format!("`{name}` is a copy in this function: how it is changed here is lost");
            let help = format!(
                "end the function with {name}, and keep what it gives, or change the list where it is"
            );
            self.warn(Code::UnusedValue, start(expr), &message, &help);
        }
    }

    /// The body of a closure, at the place where it is written: it sees what is in sight there.
    pub(super) fn closure(&mut self, name: &str, captured: usize) {
        let program = self.program;
        let Some(function) = program.functions.iter().find(|f| f.name == name) else { return };
        if self.depth > DEEPEST {
            return;
        }
        self.depth += 1;
        self.open();
        for param in function.params.iter().skip(captured) {
            self.declare(param, function.begins, Value::Unknown, false);
        }
        self.statements(&function.body, Tail::Used);
        self.close();
        self.depth -= 1;
    }

    pub(super) fn block(&mut self, statements: &'a [Stmt], tail: Tail) {
        self.open();
        self.statements(statements, tail);
        self.close();
    }

    pub(super) fn statements(&mut self, statements: &'a [Stmt], tail: Tail) {
        let mut over = false;
        let last = statements.len().saturating_sub(1);
        for (i, statement) in statements.iter().enumerate() {
            if over && !matches!(statement, Stmt::Noop(_)) {
                let help = "take it out, or mend the line before it";
                self.warn(Code::Unreachable, start_of(statement), "this can never be reached", help);
                over = false;
            }
            self.statement(statement, if i == last { tail } else { Tail::Lost });
            over |= super::flow::diverges(statement);
        }
    }

    fn statement(&mut self, statement: &'a Stmt, tail: Tail) {
        match statement {
            Stmt::Noop(_) | Stmt::Share(_) => {}
            Stmt::Expr(expr) => self.expression_statement(expr, tail),
            Stmt::FnCall(call, position) => {
                let value = self.call(call, *position);
                self.unused_result(call, *position, &value, tail);
            }
            Stmt::Var(parts, flags, _) => {
                let (ident, expr, _) = &**parts;
                self.gives_nothing(expr);
                let value = self.evaluate(expr);
                let kept =
                    flags.contains(rhai::ASTFlags::EXPORTED) || self.program.global.contains(&*ident.name);
                self.declare(&ident.name, ident.pos, value, !kept);
            }
            Stmt::Assignment(parts) => self.assignment(&parts.0, &parts.1),
            Stmt::Block(block) => self.block(block.statements(), tail),
            Stmt::If(parts, _) => {
                self.condition(&parts.expr);
                self.block(parts.body.statements(), tail);
                self.block(parts.branch.statements(), tail);
            }
            Stmt::Switch(parts, _) => {
                self.evaluate(&parts.0);
                for case in &parts.1.expressions {
                    self.evaluate(&case.lhs);
                    self.evaluate(&case.rhs);
                }
            }
            Stmt::While(..) | Stmt::Do(..) | Stmt::For(..) => self.repeat(statement),
            Stmt::TryCatch(parts, _) => self.try_catch(parts),
            Stmt::BreakLoop(expr, ..) | Stmt::Return(expr, ..) => {
                if let Some(expr) = expr {
                    self.evaluate(expr);
                }
            }
            Stmt::Import(parts, position) => self.import(&parts.0, &parts.1, *position),
            Stmt::Export(parts, _) if self.lookup(&parts.0.name, true).is_none() => {
                self.unknown_variable(&parts.0.name, parts.0.pos);
            }
            _ => {}
        }
    }

    /// A name that stands for nothing.
    pub(super) fn unknown_variable(&mut self, name: &str, at: Position) {
        let floor = self.floor;
        let mut outer = self.scopes.iter_mut().take(floor).flatten();
        // Whoever meant it would use it, so that is not said as well.
        let outside = outer.find(|v| v.name == name).map(|v| v.used = true).is_some();
        let names = self.scopes.iter().skip(self.floor).flatten().map(|v| v.name.as_str());
        let help = if outside {
            Some("functions don't see the variables of the main part; hand it over as an argument".to_owned())
        } else if self.bench.find(name).is_some() || crate::bench::Role::from_name(name).is_some() {
            Some(format!("names of channels and roles are texts: \"{name}\""))
        } else if crate::script::units::UNIT_NAMES.contains(&name) {
            Some(format!("a unit stands behind a number: `1.{name}`, also in a quotient like `25.GHz / 1.T`"))
        } else if self.files.catalog.knows(name) {
            Some(format!("`{name}` is a function; call it with brackets, `{name}()`"))
        } else if self.imports.contains_key(name) {
            Some(format!("what was imported is called with two colons, {name}::name(…)"))
        } else if name == "taken" {
            Some("a rule is handed what was taken so far: |taken| …".to_owned())
        } else if let Some((_, word)) = OTHER_VALUES.iter().find(|(other, _)| *other == name) {
            Some(format!("here it is written {word}"))
        } else if let Some(line) = self.closed.get(name) {
            Some(format!(
                "it was declared in line {line} within a block, and ends with it; declare it before the block"
            ))
        } else {
            let near = crate::document::nearest(name, names).map(|near| format!("did you mean `{near}`?"));
            near.or_else(|| {
                Some(format!("declare it first, like let {name} = …; a text stands in double quotes"))
            })
        };
        self.report(Code::UnknownVariable, at, format!("there is no variable `{name}`"), help);
    }

    /// Whether some statements reach a verb.
    pub(super) fn reaches_verb<'s>(&self, statements: impl IntoIterator<Item = &'s Stmt>) -> bool {
        calls_in(statements).iter().any(|c| is_verb(c) || c == "call" || self.reaching.contains(c))
    }

    /// Whether time passes in a statement.
    pub(super) fn passes_time(&self, statement: &Stmt) -> bool {
        calls_in([statement]).iter().any(|c| lets_time_pass(c) || c == "call" || self.passing.contains(c))
    }

    /// An `import`.
    fn import(&mut self, path: &'a Expr, alias: &rhai::Ident, at: Position) {
        let target = match path {
            Expr::StringConstant(written, place) => match self.files.imported.get(written.as_str()) {
                Some(Ok(file)) => {
                    if self.files.leads_to(file, &self.file.name) {
                        let message =
                            format!("`{written}` imports this file again, itself or through others");
                        let help = "put what both need into a third file that imports neither";
                        self.report(Code::BadImport, *place, message, Some(help.to_owned()));
                    }
                    Some(file.clone())
                }
                Some(Err(reason)) => {
                    let help =
                        "only files in the sequence's own folder, or in folders in it, can be imported";
                    self.report(Code::BadImport, *place, reason.clone(), Some(help.to_owned()));
                    None
                }
                None => None,
            },
            other => {
                self.evaluate(other);
                let help = Some("write the path out, like import \"tools\" as tools;".to_owned());
                let at = if other.position().is_none() { at } else { start(other) };
                self.report(Code::BadImport, at, "the path of an import must be written out", help);
                None
            }
        };
        self.imports.insert(alias.name.to_string(), target);
    }
}

/// Where a statement begins.
pub(super) fn start_of(statement: &Stmt) -> Position {
    match statement {
        Stmt::Expr(expr) => start(expr),
        Stmt::Assignment(parts) => start(&parts.1.lhs),
        other => other.position(),
    }
}
