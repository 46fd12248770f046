//! Calls: does the function exist, does it take so many arguments, and are they of the right kind.

use super::catalog::Catalog;
use super::program::start;
use super::value::Value;
use super::walk::Walk;
use crate::diagnostic::Code;
use crate::quantity::Dimension;
use crate::script::advice::takes_plain_numbers;
use crate::script::registry;
use crate::script::units::UNIT_NAMES;
use rhai::{Expr, FnCallExpr, Position};

impl<'a> Walk<'a> {
    /// `name(arguments)` or an operator.
    pub(super) fn call(&mut self, call: &'a FnCallExpr, at: Position) -> Value<'a> {
        let name = call.name.as_str();
        let values: Vec<Value<'a>> = call.args.iter().map(|arg| self.evaluate(arg)).collect();
        if call.is_qualified() {
            self.imported_call(call, at);
            self.anything_happens();
            return Value::Unknown;
        }
        if call.is_operator_call() || name.starts_with("..") {
            return self.operator(name, &call.args, &values, at);
        }
        if name == "exit" || name == "eval" {
            self.forbidden(name, at);
            return Value::Unknown;
        }
        let count = values.len();
        if let ("get", Some(Value::Text(Some(channel)))) = (name, values.first())
            && self.bench.find(channel).is_some()
        {
            let help = format!("here it is called read(\"{channel}\")");
            self.report(Code::UnknownVerb, at, "`get` reads no channel", Some(help));
            return Value::Unknown;
        }
        if let Some(function) = self.program.function(name, count) {
            return if self.running.is_some() {
                self.run_function(function, values, at)
            } else {
                Value::Unknown
            };
        }
        if let Some(verb) = registry::find(name) {
            if verb.takes(count) {
                if self.running.is_some() && name == "step" && values.last().is_some_and(Value::is_function) {
                    return self.run_step(call, &values, at);
                }
                return self.verb(verb, &call.args, &values, at);
            }
            let message = format!("`{name}` {}", doesnt_take(count));
            self.report(Code::ArgumentCount, at, message, Some(verb.as_in()));
            return Value::Unknown;
        }
        self.plain_call(name, count, at, 0);
        self.known_result(name, &call.args, &values, at)
    }

    /// `base.name(arguments)`.
    pub(super) fn method(&mut self, call: &'a FnCallExpr, at: Position, base: Value<'a>) -> Value<'a> {
        let name = call.name.as_str();
        let values: Vec<Value<'a>> = call.args.iter().map(|arg| self.evaluate(arg)).collect();
        if name == "exit" || name == "eval" {
            self.forbidden(name, at);
            return Value::Unknown;
        }
        // A field of a map that holds a function is called in the same way.
        let may_be_field = matches!(base, Value::Unknown) || base.is_map();
        let count = call.args.len();
        if may_be_field && !self.files.catalog.knows(name) && self.program.named(name).next().is_none() {
            if matches!(base, Value::Unknown) {
                self.plain_call(name, count + 1, at, 1);
            }
            return Value::Unknown;
        }
        let own = self.program.named(name).any(|f| f.params.len() == count || f.params.len() == count + 1);
        if !own {
            self.plain_call(name, count + 1, at, 1);
        }
        if let ("append", true, [item]) = (name, base.is_list(), values.as_slice())
            && item.describe().is_some()
            && !item.is_list()
        {
            let help = Some("one item is put at the end with list.push(x)".to_owned());
            self.report(Code::WrongKind, at, "`append` takes a list", help);
        }
        match (name, base) {
            ("call", Value::Closure(of)) => {
                let program = self.program;
                let function = program.functions.iter().find(|f| f.name == *of && f.params.len() >= count);
                function.map_or(Value::Unknown, |function| self.run_function(function, values, at))
            }
            ("len", Value::Items(items)) => Value::number(Some(items.len() as f64), true),
            ("value" | "error", Value::Measured("fit", x, y)) => match values.as_slice() {
                [Value::Text(Some(of))] => {
                    let dimension = crate::script::handles::Measure::of(of).dimension(x, y);
                    let dimension = if name == "error" { dimension.change() } else { dimension };
                    of_dimension(dimension)
                }
                _ => Value::Unknown,
            },
            ("abs", value @ (Value::Number { .. } | Value::Quantity { .. })) => size(value),
            ("column", sweep) if sweep.handle() == Some("sweep") => {
                if let ([Value::Text(Some(column))], Some(arg)) = (values.as_slice(), call.args.first()) {
                    self.must_be_read(&sweep, column, start(arg));
                }
                let known = match values.as_slice() {
                    [Value::Text(Some(column))] => self.bench.find(column),
                    _ => None,
                };
                known.map_or_else(
                    || Value::Handle("numbers".to_owned()),
                    |id| Value::Measured("numbers", Dimension::NONE, self.bench.channel(id).dimension()),
                )
            }
            _ => Value::Unknown,
        }
    }

    fn forbidden(&mut self, name: &str, at: Position) {
        let (message, help) = if name == "exit" {
            ("`exit` would look like a normal end", "use stop(\"why\"), or let the sequence come to its end")
        } else {
            ("`eval` would run what nobody has checked", "write the lines out, or make a function of them")
        };
        self.report(Code::Forbidden, at, message, Some(help.to_owned()));
    }

    /// A call of something that is no verb. `hidden`: arguments that stand before the dot.
    fn plain_call(&mut self, name: &str, count: usize, at: Position, hidden: usize) {
        let files = self.files;
        let catalog = &files.catalog;
        // It may be a function that stands in what could not be parsed.
        if self.file.lost_names.contains(name) {
            return;
        }
        let own: Vec<usize> = self.program.named(name).map(|f| f.params.len()).collect();
        if catalog.takes(name, count) || own.contains(&count) {
            return;
        }
        // A variable can hold a function: `let f = |x| …; f.call(x)` — but not be called by its own name.
        if !catalog.knows(name) && own.is_empty() {
            if self.lookup(name, true).is_some() {
                let help = Some(format!("call the function that it holds with {name}.call(…)"));
                self.report(Code::UnknownVerb, at, format!("`{name}` is a variable, not a function"), help);
                return;
            }
            let names = self.program.functions.iter().filter(|f| !f.is_closure()).map(|f| f.name.as_str());
            let help = self.meant_channel(name, count - hidden.min(count), at);
            let method = OTHER_METHODS.iter().find(|(other, _)| hidden == 1 && *other == name);
            let help = help.or_else(|| method.map(|(_, here)| format!("here it is called `.{here}`")));
            let help = help.or_else(|| without_brackets(catalog, name, hidden));
            let help = help.or_else(|| catalog.hint(name, names));
            let all = || "`noctule guide verbs` lists all verbs".to_owned();
            let help = help.or_else(|| Some(all()));
            self.report(Code::UnknownVerb, at, format!("there is no verb or function `{name}`"), help);
            return;
        }
        let takes = if own.is_empty() {
            catalog.arities(name)
        } else {
            own.iter().map(ToString::to_string).collect::<Vec<_>>().join(" or ")
        };
        let message = format!("`{name}` {}", doesnt_take(count - hidden.min(count)));
        let help = if hidden == 0 {
            format!("it takes {takes}")
        } else {
            match METHODS.iter().find(|method| method.contains(&format!(".{name}("))) {
                Some(method) => format!("write {method}"),
                None => format!("in its brackets it takes {}", behind_the_dot(&takes)),
            }
        };
        self.report(Code::ArgumentCount, at, message, Some(help));
    }

    /// `module::name(arguments)`.
    fn imported_call(&mut self, call: &FnCallExpr, at: Position) {
        let root = call.namespace.root();
        let Some(target) = self.imports.get(root) else {
            if root != "global" {
                let help = crate::document::nearest(root, self.imports.keys().map(String::as_str))
                    .map(|near| format!("did you mean `{near}`?"))
                    .or_else(|| Some(format!("import it first, like import \"{root}\" as {root};")));
                self.report(Code::UnknownVariable, at, format!("nothing was imported as `{root}`"), help);
            }
            return;
        };
        let Some(file) = target.as_ref().and_then(|name| self.files.file(name)) else { return };
        // What a faulty file has cannot be told.
        if file.broken || call.namespace.path.len() > 1 {
            return;
        }
        let name = call.name.as_str();
        let public = || file.program.functions.iter().filter(|f| !f.private && !f.is_closure());
        if public().any(|f| f.name == name && f.params.len() == call.args.len()) {
            return;
        }
        let same: Vec<String> =
            public().filter(|f| f.name == name).map(|f| f.params.len().to_string()).collect();
        if same.is_empty() {
            let near = crate::document::nearest(name, public().map(|f| f.name.as_str()));
            let help = near.map(|near| format!("did you mean `{root}::{near}`?"));
            let message = format!("`{}` has no function `{name}`", file.name);
            self.report(Code::UnknownVerb, at, message, help);
        } else {
            let message = format!("`{root}::{name}` {}", doesnt_take(call.args.len()));
            self.report(Code::ArgumentCount, at, message, Some(format!("it takes {}", same.join(" or "))));
        }
    }

    /// What some functions of the language give.
    fn known_result(
        &mut self,
        name: &str,
        args: &'a [Expr],
        values: &[Value<'a>],
        at: Position,
    ) -> Value<'a> {
        match (name, values) {
            ("range", _) => {
                self.range(args, values, at);
                Value::Unknown
            }
            ("abs", [value @ (Value::Number { .. } | Value::Quantity { .. })]) => size(value.clone()),
            ("min" | "max", [a, b]) => {
                let smaller = self.comparison("<", a, b, at);
                match (smaller, a.as_quantity()) {
                    (Value::Flag(Some(first)), Some(_)) => {
                        if first == (name == "min") {
                            a.clone()
                        } else {
                            b.clone()
                        }
                    }
                    (_, Some(_)) => without_value(a.clone()),
                    _ => Value::Unknown,
                }
            }
            (of_numbers, [value @ Value::Quantity { .. }]) if takes_plain_numbers(of_numbers) => {
                let what = value.describe().unwrap_or_default();
                let help = format!("divide by a unit first, like {name}(x / 1.mV), or take the number, x.mV");
                let message = format!("`{name}` takes a plain number, not {what}");
                self.report(Code::WrongUnit, at, message, Some(help));
                Value::Unknown
            }
            ("sqrt", [a @ Value::Quantity { .. }]) => self.power(a, Some(0.5), at),
            ("to_float" | "sqrt" | "sin" | "cos" | "exp" | "ln", [Value::Number { .. }]) => {
                Value::number(None, false)
            }
            ("to_int", [Value::Number { .. }]) => Value::number(None, true),
            ("to_string", _) => Value::Text(None),
            ("Fn", _) => Value::Function,
            _ => Value::Unknown,
        }
    }

    /// `range(from, to, step)` with fractions: the rounding of the steps decides how many there are.
    fn range(&mut self, args: &'a [Expr], values: &[Value<'a>], at: Position) {
        if let Some((arg, what)) = args.iter().zip(values).find_map(|(arg, value)| match value {
            Value::Quantity { .. } | Value::Text(_) => Some((arg, value.describe()?)),
            _ => None,
        }) {
            let help =
                "count with plain numbers and put the unit behind: for i in 0..5 { let x = i * 10.mT; }";
            let message = format!("a range counts in plain numbers, not in {what}");
            self.report(Code::WrongKind, start(arg), message, Some(help.to_owned()));
            return;
        }
        let fractions = values.iter().any(|v| matches!(v, Value::Number { whole: Some(false), .. }));
        if !fractions {
            return;
        }
        let help = "count in whole numbers and multiply: for i in 0..10 { let x = i * 0.1; }";
        let numbers: Vec<f64> =
            values.iter().filter_map(|v| v.as_quantity().and_then(|(value, _)| value)).collect();
        if let [from, to, step] = numbers[..] {
            let meant = ((to - from) / step).round();
            let Some(got) = counted(from, to, step) else { return };
            if meant >= 0.0 && (meant - (to - from) / step).abs() < 1e-6 && got as f64 != meant {
                let message = format!("this range has {got} items, not {meant}: fractions are rounded");
                self.warn(Code::FloatRange, at, message, help);
            }
        } else {
            let message = "a range over fractions may have one item more or less than meant";
            self.warn(Code::FloatRange, at, message, help);
        }
    }
}

/// Number of items of a range over fractions, counted by the engine itself; none if there are very many.
fn counted(from: f64, to: f64, step: f64) -> Option<i64> {
    let mut engine = crate::script::bare();
    engine.set_max_operations(1_000_000);
    let script = format!("let n = 0; for x in range({from:?}, {to:?}, {step:?}) {{ n += 1; }} n");
    engine.eval::<i64>(&script).ok()
}

/// How methods are written.
const METHODS: &[&str] = &[
    "t.within(\"name\", from, to)",
    "t.part(from, to)",
    "t.with_column(\"name\", numbers)",
    "t.only([\"name\"])",
    "t.at(places)",
    "t.column(\"name\")",
    "numbers.with_error(error)",
    "list.push(item)",
    "list.filter(|item| …)",
    "list.map(|item| …)",
    "text.contains(\"word\")",
    "text.sub_string(from, count)",
    "fit.value(\"centre\")",
    "fit.error(\"centre\")",
];

/// Methods of other languages, with what they are called here.
const OTHER_METHODS: &[(&str, &str)] = &[
    ("append", "push(x)"),
    ("add", "push(x)"),
    ("push_back", "push(x)"),
    ("length", "len()"),
    ("size", "len()"),
    ("count", "len()"),
    ("upper", "to_upper()"),
    ("lower", "to_lower()"),
    ("strip", "trim()"),
    ("average", "mean"),
];

/// A property that is called, or a unit behind `to_`.
fn without_brackets(catalog: &Catalog, name: &str, hidden: usize) -> Option<String> {
    if hidden == 0 {
        return None;
    }
    let unit = name.trim_start_matches("to_").trim_start_matches("in_");
    if UNIT_NAMES.contains(&unit) {
        return Some(format!("`x.{unit}` is the number in {unit}"));
    }
    catalog.has_property(name).then(|| format!("`.{name}` stands without brackets"))
}

/// Numbers of arguments without the one before the dot.
fn behind_the_dot(takes: &str) -> String {
    let less = |count: &str| {
        count.parse::<usize>().map_or_else(|_| count.to_owned(), |n| (n - n.min(1)).to_string())
    };
    takes.split(" or ").map(less).collect::<Vec<_>>().join(" or ")
}

/// `doesn't take 3 arguments`.
fn doesnt_take(count: usize) -> String {
    match count {
        0 => "can't be called without arguments".to_owned(),
        1 => "doesn't take one argument".to_owned(),
        n => format!("doesn't take {n} arguments"),
    }
}

/// A value of a dimension.
pub(super) fn of_dimension<'a>(dimension: Dimension) -> Value<'a> {
    if dimension.is_none() { Value::number(None, false) } else { Value::Quantity { si: None, dimension } }
}

/// The size of a value.
fn size(value: Value<'_>) -> Value<'_> {
    match value {
        Value::Number { value, whole } => Value::Number { value: value.map(f64::abs), whole },
        Value::Quantity { si, dimension } => Value::Quantity { si: si.map(f64::abs), dimension },
        other => other,
    }
}

/// The same kind of thing with an unknown value.
fn without_value(value: Value<'_>) -> Value<'_> {
    match value {
        Value::Number { whole, .. } => Value::Number { value: None, whole },
        Value::Quantity { dimension, .. } => Value::Quantity { si: None, dimension },
        other => other,
    }
}
