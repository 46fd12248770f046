//! What expressions give, as far as that is known before anything runs.

use super::program::{is_closure, start};
use super::value::Value;
use super::walk::{Tail, Walk};
use crate::diagnostic::Code;
use crate::document::nearest;
use crate::quantity::{Dimension, Quantity, Unit};
use crate::script::handles::Measure;
use crate::script::registry::{self, Deed};
use crate::script::units::UNIT_NAMES;
use rhai::{ASTFlags, BinaryExpr, Expr, FnCallExpr, FnPtr, OpAssignment, Position, Stmt};

/// Units written as words or as they are elsewhere, with what stands for them.
const UNIT_WORDS: &[(&str, &str)] = &[
    ("sec secs second seconds", "5.s"),
    ("minute minutes mins", "5.min"),
    ("hour hours hr hrs", "5.h"),
    ("day days d", "24.h"),
    ("volt volts", "5.V"),
    ("millivolt millivolts", "5.mV"),
    ("ampere amperes amp amps", "5.A"),
    ("tesla teslas", "5.T"),
    ("millitesla", "5.mT"),
    ("gauss g oe", "0.1.mT, a thousandth of a gauss is 0.1 uT"),
    ("kelvin kelvins", "5.K"),
    ("meter meters metre metres", "5.m"),
    ("nanometer nanometers nanometre nanometres", "5.nm"),
    ("angstrom angstroms a", "0.1.nm for an angstrom"),
    ("hertz", "5.Hz"),
    ("liter liters litre litres l", "5.L"),
    ("ohm ohms kohm mohm gohm", "a resistance as a quotient, like 1.V / 1.nA"),
    ("bar torr", "5.mbar"),
    ("deg degree degrees", "angles as plain numbers, in radians"),
    ("%", "50.percent"),
];

/// Methods that change a list and give nothing.
pub(super) const CHANGE_THEMSELVES: &[&str] =
    &["push", "append", "sort", "reverse", "insert", "clear", "truncate"];

/// Methods that change nothing but give something new.
const GIVE_ANEW: &[&str] =
    &["with_column", "only", "part", "within", "at", "filter", "to_upper", "to_lower", "to_int", "to_float"];

/// Maps within maps are looked at more than once; past this the check says nothing more rather than go on
/// for ever. It says so.
const MOST_EVALUATIONS: u64 = 1_000_000;

impl<'a> Walk<'a> {
    /// Looks at an expression and everything in it.
    pub(super) fn evaluate(&mut self, expr: &'a Expr) -> Value<'a> {
        if self.running.is_some() {
            return if self.tired() { Value::Unknown } else { self.along(expr) };
        }
        self.evaluations += 1;
        if self.evaluations > MOST_EVALUATIONS {
            if self.evaluations == MOST_EVALUATIONS + 1 {
                let message = "maps are nested too deeply here to check the rest of the sequence";
                self.report(Code::SequenceSyntax, start(expr), message, None);
            }
            return Value::Unknown;
        }
        self.value_of(expr)
    }

    /// The same, where nothing is counted.
    pub(super) fn value_of(&mut self, expr: &'a Expr) -> Value<'a> {
        match expr {
            Expr::IntegerConstant(value, _) => Value::number(Some(*value as f64), true),
            Expr::FloatConstant(value, _) => Value::number(Some(**value), false),
            Expr::BoolConstant(flag, _) => Value::Flag(Some(*flag)),
            Expr::StringConstant(text, at) => {
                self.value_in_text(text, *at);
                Value::Text(Some(text.to_string()))
            }
            Expr::CharConstant(..) => Value::Text(None),
            Expr::Unit(_) => Value::Nothing,
            Expr::InterpolatedString(parts, _) => {
                for part in parts {
                    self.evaluate(part);
                }
                Value::Text(None)
            }
            Expr::Array(items, _) => {
                for item in items {
                    self.evaluate(item);
                }
                Value::List(Some(expr))
            }
            Expr::Map(parts, _) => {
                for (_, value) in &parts.0 {
                    self.evaluate(value);
                }
                Value::Map(Some(expr))
            }
            Expr::Variable(..) => self.variable(expr),
            Expr::DynamicConstant(value, _) => {
                let name = value.read_lock::<FnPtr>().map(|pointer| pointer.fn_name().to_owned());
                match name {
                    Some(name) => {
                        self.closure(&name, 0);
                        Value::Function
                    }
                    None => Value::Unknown,
                }
            }
            Expr::Stmt(block) => self.block_value(block.statements()),
            Expr::FnCall(call, at) => self.call(call, *at),
            Expr::MethodCall(call, at) => self.method(call, *at, Value::Unknown),
            Expr::Dot(parts, flags, _) => self.rooted(parts, false, *flags),
            Expr::Index(parts, flags, _) => self.rooted(parts, true, *flags),
            Expr::And(parts, _) | Expr::Or(parts, _) => {
                for part in parts.iter() {
                    self.evaluate(part);
                }
                Value::Flag(None)
            }
            Expr::Coalesce(parts, _) => {
                for part in parts.iter() {
                    self.evaluate(part);
                }
                Value::Unknown
            }
            _ => Value::Unknown,
        }
    }

    fn variable(&mut self, expr: &'a Expr) -> Value<'a> {
        let Expr::Variable(parts, _, at) = expr else { return Value::Unknown };
        let name = parts.1.as_str();
        if !parts.2.is_empty() {
            self.imported_value(parts.2.root(), name, *at);
            return Value::Unknown;
        }
        if let Some(value) = self.lookup(name, true) {
            return value;
        }
        if self.program.named(name).next().is_some() {
            return if self.running.is_some() { Value::Closure(name.into()) } else { Value::Function };
        }
        self.unknown_variable(name, *at);
        Value::Unknown
    }

    /// `tools::f` without brackets: the engine knows a function of another file only where it is called.
    fn imported_value(&mut self, root: &str, name: &str, at: Position) {
        let target = self.imports.get(root).and_then(Option::as_ref);
        let Some(file) = target.and_then(|file| self.files.file(file)) else { return };
        let Some(function) = file.program.named(name).find(|f| !f.private) else { return };
        let params = function.params.join(", ");
        let message = format!("the function `{root}::{name}` can't be handed over by its name");
        let help = format!("write |{params}| {root}::{name}({params})");
        self.report(Code::WrongKind, at, message, Some(help));
    }

    /// The value of `{ … }`, and of a closure that captures variables.
    fn block_value(&mut self, statements: &'a [Stmt]) -> Value<'a> {
        if let [Stmt::Share(_), Stmt::Expr(expr)] = statements
            && let Expr::FnCall(call, _) = &**expr
            && let Some(Expr::DynamicConstant(value, _)) = call.args.first()
        {
            let name = value.read_lock::<FnPtr>().map(|pointer| pointer.fn_name().to_owned());
            if let Some(name) = name.filter(|name| is_closure(name)) {
                self.closure(&name, call.args.len() - 1);
                return Value::Function;
            }
        }
        self.block(statements, Tail::Used);
        Value::Unknown
    }

    /// A chain with what it begins with, which a method may change.
    fn rooted(&mut self, parts: &'a BinaryExpr, index: bool, flags: ASTFlags) -> Value<'a> {
        let base = self.evaluate(&parts.lhs);
        let value = self.chain(base, parts, index, flags);
        if self.running.is_some() {
            self.changed_by_method(parts, index);
        }
        value
    }

    /// `base.a`, `base.a.b(…)`, `base[i].c`: the parser nests what follows to the right.
    fn chain(&mut self, base: Value<'a>, parts: &'a BinaryExpr, index: bool, flags: ASTFlags) -> Value<'a> {
        let rhs = &parts.rhs;
        if flags.contains(ASTFlags::BREAK) {
            return self.link(base, rhs, index);
        }
        match rhs {
            Expr::Dot(inner, flags, _) => {
                let value = self.link(base, &inner.lhs, index);
                self.chain(value, inner, false, *flags)
            }
            Expr::Index(inner, flags, _) => {
                let value = self.link(base, &inner.lhs, index);
                self.chain(value, inner, true, *flags)
            }
            single => self.link(base, single, index),
        }
    }

    /// One link of a chain.
    fn link(&mut self, base: Value<'a>, link: &'a Expr, index: bool) -> Value<'a> {
        match link {
            _ if index => {
                let value = self.evaluate(link);
                if let Value::Measured("numbers", _, dimension) = base {
                    return super::call::of_dimension(dimension);
                }
                if let Value::Number { .. } | Value::Quantity { .. } = base {
                    let help =
                        "an item is taken of a list; for a table write for row in table { … row[0] … }";
                    self.report(Code::WrongKind, start(link), "a number has no items", Some(help.to_owned()));
                }
                if self.running.is_some() { self.indexed(&base, &value, link) } else { Value::Unknown }
            }
            Expr::Property(name, at) => self.property(&base, name.2.as_str(), *at),
            Expr::MethodCall(call, at) => self.method(call, *at, base),
            other => self.evaluate(other),
        }
    }

    fn property(&mut self, base: &Value<'a>, name: &str, at: Position) -> Value<'a> {
        match base {
            Value::Number { value, .. } if UNIT_NAMES.contains(&name) => with_unit(*value, name),
            Value::Number { .. } => self.number_property(name, at),
            Value::Quantity { si, dimension } if UNIT_NAMES.contains(&name) => {
                let unit = Unit::parse(name);
                if let Some(unit) = unit.as_ref().filter(|unit| unit.dimension != *dimension) {
                    let message = format!("`.{name}` is for {}, but this is {dimension}", unit.dimension);
                    let help = Some(format!("in plain numbers it is `.{}`", dimension.symbol()));
                    self.report(Code::WrongUnit, at, message, help);
                }
                Value::Number { value: unit.and_then(|u| si.map(|si| u.from_si(si))), whole: Some(false) }
            }
            Value::Entries(entries) => self.entry(entries, name, at),
            Value::List(_) | Value::Items(_) if name != "len" => {
                let help = match name {
                    "length" | "size" | "count" | "Length" => "list.len() is how many items it has",
                    _ => "an item is list[0], list[1], and so on; list.len() is how many there are",
                };
                self.report(
                    Code::UnknownField,
                    at,
                    format!("a list has no `.{name}`"),
                    Some(help.to_owned()),
                );
                Value::Unknown
            }
            Value::Handle(_) | Value::Sweep(_) | Value::Measured(..) => {
                let files = self.files;
                let handle = base.handle().unwrap_or_default();
                if let Some(known) = files.catalog.properties(handle)
                    && !known.contains(&name)
                {
                    let near = nearest(name, known.iter().copied());
                    let help = near.map(|near| format!("did you mean `.{near}`?"));
                    let all = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
                    let help = match handle {
                        "table" => Some(format!("a column is t[\"{name}\"]; it has {all}")),
                        "fit" => {
                            let near = help.unwrap_or(format!("it has {all}"));
                            Some(format!("{near} (a parameter of an own model is fit.value(\"{name}\"))"))
                        }
                        _ => help.or(Some(format!("it has {all}"))),
                    };
                    let what = base.describe().unwrap_or_default();
                    self.report(Code::UnknownField, at, format!("{what} has no `.{name}`"), help);
                }
                if let Value::Measured(handle, x, y) = base {
                    return measured(handle, name, *x, *y);
                }
                if handle == "trace" && name == "numbers" {
                    return Value::Handle("numbers".to_owned());
                }
                Value::Unknown
            }
            _ => Value::Unknown,
        }
    }

    /// `"${x}"`: only texts in backticks take values.
    fn value_in_text(&mut self, text: &str, at: Position) {
        if let Some((_, rest)) = text.split_once("${")
            && rest.contains('}')
            && self.file.text.lines().nth(at.line().unwrap_or(1) - 1).is_some_and(|line| line.contains('"'))
        {
            let help = format!("write it in backticks: `{text}`");
            self.warn(Code::WrongKind, at, "a text in double quotes shows no values", &help);
        }
    }

    fn number_property(&mut self, name: &str, at: Position) -> Value<'a> {
        if self.files.catalog.has_property(name) {
            return Value::Number { value: None, whole: None };
        }
        let same_unit = UNIT_NAMES.iter().copied().find(|known| known.eq_ignore_ascii_case(name));
        let near = same_unit.or_else(|| nearest(name, UNIT_NAMES.iter().copied()));
        let word =
            UNIT_WORDS.iter().find(|(words, _)| words.split(' ').any(|word| word == name.to_lowercase()));
        let help = word.map(|(_, unit)| format!("write {unit}"));
        let help = help.or_else(|| near.map(|near| format!("did you mean `.{near}`?")));
        let help = help.or_else(|| Some("`noctule guide units` lists the units".to_owned()));
        self.report(Code::WrongUnit, at, format!("there is no unit `{name}`"), help);
        Value::Unknown
    }

    /// `x = …`, `x += …`.
    pub(super) fn assignment(&mut self, operator: &'a OpAssignment, parts: &'a BinaryExpr) {
        self.gives_nothing(&parts.rhs);
        let value = self.evaluate(&parts.rhs);
        if let Expr::Variable(target, _, at) = &parts.lhs {
            let name = target.1.as_str();
            if self.running.is_some() {
                return self.assigned(operator, name, value, *at);
            }
            if target.2.is_empty() && self.lookup(name, false).is_none() {
                self.undeclared(operator, name, *at);
            }
        } else {
            // A name of a map that is given a value need not be there before.
            if self.running.is_none() || matches!(parts.lhs, Expr::Index(..)) {
                self.evaluate(&parts.lhs);
            }
            if let (true, Some(root)) = (self.running.is_some(), super::program::root_name(&parts.lhs)) {
                self.loosen(&root);
            }
        }
        if operator.is_op_assignment() && value.is_function() {
            let help = Some("call it with brackets, f() or f.call()".to_owned());
            self.report(Code::WrongKind, start(&parts.rhs), "a function can't be counted with", help);
        }
    }

    /// `list = list.push(x)`: what changes a list gives nothing.
    pub(super) fn gives_nothing(&mut self, expr: &'a Expr) {
        if let Some(name) = last_method(expr).filter(|name| CHANGE_THEMSELVES.contains(name)) {
            let help = format!("write list.{name}(…); alone");
            let message = format!("`{name}` changes the list itself and gives nothing");
            self.report(Code::WrongKind, start(expr), message, Some(help));
        }
    }

    /// `x = 5` without `let`.
    fn undeclared(&mut self, operator: &OpAssignment, name: &str, at: Position) {
        let outside = self.scopes.iter().take(self.floor).flatten().any(|v| v.name == name);
        if operator.is_op_assignment() || outside {
            return self.unknown_variable(name, at);
        }
        let names = self.scopes.iter().skip(self.floor).flatten().map(|v| v.name.as_str());
        let near =
            nearest(name, names).map(|near| format!(", or did you mean `{near}`?")).unwrap_or_default();
        let help = format!("write let {name} = …{near}");
        self.report(Code::UnknownVariable, at, format!("the variable `{name}` is not declared"), Some(help));
        // It is complained about once.
        self.declare(name, at, Value::Unknown, false);
    }

    /// An expression that stands alone.
    pub(super) fn expression_statement(&mut self, expr: &'a Expr, tail: Tail) {
        let value = self.evaluate(expr);
        let without_effect = match expr {
            Expr::Dot(parts, ..) | Expr::Index(parts, ..) => !has_call(parts),
            Expr::FnCall(call, _) => return self.unused_result(call, expr.position(), &value, tail),
            Expr::Stmt(_) | Expr::Unit(_) | Expr::MethodCall(..) => false,
            Expr::And(..) | Expr::Or(..) | Expr::Coalesce(..) => false,
            _ => true,
        };
        if let (Some(name), true) = (last_method(expr), tail == Tail::Lost)
            && GIVE_ANEW.contains(&name)
        {
            let message = format!("`{name}` changes nothing: what it gives is never used");
            let help = format!("keep what it gives, like let t = t.{name}(…);");
            self.warn(Code::UnusedValue, start(expr), message, &help);
        }
        if without_effect && tail == Tail::Lost {
            let help = "give it a name with `let`, use it, or leave it out";
            self.warn(Code::UnusedValue, start(expr), "this value is worked out and never used", help);
        }
    }

    /// A call whose result nobody takes.
    pub(super) fn unused_result(&mut self, call: &FnCallExpr, at: Position, value: &Value<'a>, tail: Tail) {
        if tail == Tail::Used || call.is_qualified() {
            return;
        }
        let name = call.name.as_str();
        if call.is_operator_call() {
            let at = call.args.first().map_or(at, start);
            let (message, help) = if name == "==" {
                ("this compares and does nothing with the answer", "a single `=` gives a variable a value")
            } else {
                ("this value is worked out and never used", "give it a name with `let`, or leave it out")
            };
            self.warn(Code::UnusedValue, at, message, help);
        } else if registry::find(name).is_some_and(|verb| verb.nature.deed == Deed::Answers) {
            let help = "give it a name with `let`, or leave it out";
            self.warn(Code::UnusedValue, at, format!("what `{name}` gives is never used"), help);
        } else if value.is_function() {
            self.warn(Code::UnusedValue, at, "this function is never called", "");
        }
    }
}

/// What a property of a measured thing is.
fn measured<'a>(handle: &str, name: &str, x: Dimension, y: Dimension) -> Value<'a> {
    let of = |dimension: Dimension| {
        if dimension.is_none() { Value::number(None, false) } else { Value::Quantity { si: None, dimension } }
    };
    match (handle, name) {
        ("trace", "numbers") => Value::Measured("numbers", Dimension::NONE, y),
        ("numbers", "mean" | "least" | "most") => of(y),
        ("numbers", "deviation") => of(y.change()),
        ("numbers", "len") => Value::number(None, true),
        ("fit", "trusted") => Value::Flag(None),
        ("fit", "doubts") => Value::List(None),
        ("fit", name) => {
            let (bare, error) = name.strip_suffix("_error").map_or((name, false), |bare| (bare, true));
            let dimension = Measure::of(bare).dimension(x, y);
            of(if error { dimension.change() } else { dimension })
        }
        _ => Value::Unknown,
    }
}

/// A number with its unit, exactly as the engine would take it.
fn with_unit<'a>(value: Option<f64>, name: &str) -> Value<'a> {
    let written = format!("{}{name}", value.unwrap_or(1.0));
    let quantity = written.parse::<Quantity>().ok();
    let dimension = quantity.map_or(Dimension::NONE, |q| q.dimension);
    Value::Quantity { si: value.and(quantity.map(|q| q.si)), dimension }
}

/// The method with which a chain ends.
pub(super) fn last_method(expr: &Expr) -> Option<&str> {
    match expr {
        Expr::Dot(parts, ..) | Expr::Index(parts, ..) => last_method(&parts.rhs),
        Expr::MethodCall(call, _) => Some(call.name.as_str()),
        _ => None,
    }
}

fn has_call(parts: &BinaryExpr) -> bool {
    [&parts.lhs, &parts.rhs].into_iter().any(|side| match side {
        Expr::MethodCall(..) | Expr::FnCall(..) => true,
        Expr::Dot(inner, ..) | Expr::Index(inner, ..) => has_call(inner),
        _ => false,
    })
}
