//! Reading a formula into a tape.

use super::FormulaError;
use super::tape::{Binary, Tape, Unary};
use super::token::{Kind, Token, tokens};

/// Deepest nesting of parentheses, functions, signs and powers.
const DEEPEST: usize = 100;

/// Longest formula in tokens: far beyond any model, and a limit on the work per point.
const LONGEST: usize = 10_000;

/// The function of a name.
pub(super) fn function(name: &str) -> Option<Unary> {
    Some(match name {
        "exp" => Unary::Exp,
        "ln" => Unary::Ln,
        "log10" => Unary::Log10,
        "sqrt" => Unary::Sqrt,
        "abs" => Unary::Abs,
        "sin" => Unary::Sin,
        "cos" => Unary::Cos,
        "tan" => Unary::Tan,
        "asin" => Unary::Asin,
        "acos" => Unary::Acos,
        "atan" => Unary::Atan,
        "sinh" => Unary::Sinh,
        "cosh" => Unary::Cosh,
        "tanh" => Unary::Tanh,
        _ => return None,
    })
}

struct Parser<'a> {
    tokens: Vec<Token>,
    next: usize,
    end: usize,
    depth: usize,
    columns: &'a [&'a str],
    parameters: &'a [&'a str],
    tape: Tape,
}

pub(super) fn parse(text: &str, columns: &[&str], parameters: &[&str]) -> Result<Tape, FormulaError> {
    let end = text.chars().count() + 1;
    let tokens = tokens(text)?;
    if tokens.len() > LONGEST {
        return Err(FormulaError { position: end, message: "the formula is too long".to_owned() });
    }
    let mut parser = Parser { tokens, next: 0, end, depth: 0, columns, parameters, tape: Tape::default() };
    parser.sum()?;
    match parser.peek() {
        None => Ok(parser.tape),
        Some(Kind::Sign(')')) => Err(parser.error("this `)` closes nothing")),
        Some(_) => Err(parser.error("an operator is missing here")),
    }
}

impl Parser<'_> {
    fn peek(&self) -> Option<&Kind> {
        self.tokens.get(self.next).map(|t| &t.kind)
    }

    fn error(&self, message: &str) -> FormulaError {
        let position = self.tokens.get(self.next).map_or(self.end, |t| t.position);
        FormulaError { position, message: message.to_owned() }
    }

    /// Takes a sign if it is the next token.
    fn take(&mut self, signs: &[char]) -> Option<char> {
        match self.peek() {
            Some(Kind::Sign(c)) if signs.contains(c) => {
                let c = *c;
                self.next += 1;
                Some(c)
            }
            _ => None,
        }
    }

    fn deeper<T>(
        &mut self,
        inner: impl FnOnce(&mut Self) -> Result<T, FormulaError>,
    ) -> Result<T, FormulaError> {
        if self.depth >= DEEPEST {
            return Err(self.error("the formula is nested too deeply"));
        }
        self.depth += 1;
        let result = inner(self);
        self.depth -= 1;
        result
    }

    fn sum(&mut self) -> Result<usize, FormulaError> {
        let mut left = self.product()?;
        while let Some(sign) = self.take(&['+', '-']) {
            let right = self.product()?;
            let op = if sign == '+' { Binary::Add } else { Binary::Sub };
            left = self.tape.binary(op, left, right);
        }
        Ok(left)
    }

    fn product(&mut self) -> Result<usize, FormulaError> {
        let mut left = self.signed()?;
        while let Some(sign) = self.take(&['*', '/']) {
            let right = self.signed()?;
            let op = if sign == '*' { Binary::Mul } else { Binary::Div };
            left = self.tape.binary(op, left, right);
        }
        Ok(left)
    }

    fn signed(&mut self) -> Result<usize, FormulaError> {
        match self.take(&['+', '-']) {
            Some('-') => {
                let inner = self.deeper(Self::signed)?;
                Ok(self.tape.unary(Unary::Neg, inner))
            }
            Some(_) => self.deeper(Self::signed),
            None => self.power(),
        }
    }

    fn power(&mut self) -> Result<usize, FormulaError> {
        let base = self.atom()?;
        if self.take(&['^']).is_none() {
            return Ok(base);
        }
        // From the right, and with a sign of its own: 2^-x^2 is 2^(-(x^2)).
        let exponent = self.deeper(Self::signed)?;
        Ok(self.tape.binary(Binary::Pow, base, exponent))
    }

    fn atom(&mut self) -> Result<usize, FormulaError> {
        match self.peek().cloned() {
            Some(Kind::Number(value)) => {
                self.next += 1;
                Ok(self.tape.constant(value))
            }
            Some(Kind::Name(name)) => self.named(&name),
            Some(Kind::Sign('(')) => self.parenthesis(),
            Some(Kind::Sign(_)) => Err(self.error("a value is missing here")),
            None => Err(self.error("the formula ends where a value is expected")),
        }
    }

    fn parenthesis(&mut self) -> Result<usize, FormulaError> {
        if self.take(&['(']).is_none() {
            return Err(self.error("`(` is missing"));
        }
        let inner = self.deeper(Self::sum)?;
        match self.take(&[')']) {
            Some(_) => Ok(inner),
            None => Err(self.error("`)` is missing")),
        }
    }

    fn named(&mut self, name: &str) -> Result<usize, FormulaError> {
        if let Some(column) = self.columns.iter().position(|c| *c == name) {
            self.next += 1;
            return Ok(self.tape.column(column));
        }
        if let Some(parameter) = self.parameters.iter().position(|p| *p == name) {
            self.next += 1;
            return Ok(self.tape.parameter(parameter));
        }
        if name == "pi" {
            self.next += 1;
            return Ok(self.tape.constant(std::f64::consts::PI));
        }
        if let Some(op) = function(name) {
            self.next += 1;
            let argument = self.parenthesis()?;
            return Ok(self.tape.unary(op, argument));
        }
        let known: Vec<&str> = self.columns.iter().chain(self.parameters).copied().collect();
        let message = match name {
            "log" => "`log` is ambiguous: write `ln` or `log10`".to_owned(),
            _ => format!("`{name}` is not known here; columns and parameters are {}", known.join(", ")),
        };
        Err(self.error(&message))
    }
}
