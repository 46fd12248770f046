//! Cutting the text of a formula into tokens.

use super::FormulaError;

/// One token and where it starts, counted in characters from 1.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Token {
    pub(super) position: usize,
    pub(super) kind: Kind,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Kind {
    Number(f64),
    Name(String),
    /// One of `+ - * / ^ ( )`.
    Sign(char),
}

pub(super) fn tokens(text: &str) -> Result<Vec<Token>, FormulaError> {
    let chars: Vec<char> = text.chars().collect();
    let mut tokens = Vec::new();
    let mut i = 0;
    while i < chars.len() {
        let position = i + 1;
        let c = chars[i];
        let kind = match c {
            _ if c.is_whitespace() => {
                i += 1;
                continue;
            }
            '*' if chars.get(i + 1) == Some(&'*') => {
                i += 2;
                Kind::Sign('^')
            }
            '+' | '-' | '*' | '/' | '^' | '(' | ')' => {
                i += 1;
                Kind::Sign(c)
            }
            _ if c.is_ascii_digit() || c == '.' => {
                let end = number_end(&chars, i);
                let digits: String = chars[i..end].iter().collect();
                i = end;
                match digits.parse::<f64>() {
                    Ok(value) if value.is_finite() => Kind::Number(value),
                    _ => {
                        return Err(FormulaError {
                            position,
                            message: format!("`{digits}` is not a number"),
                        });
                    }
                }
            }
            _ if c.is_alphabetic() || c == '_' => {
                let length = chars[i..].iter().take_while(|c| c.is_alphanumeric() || **c == '_').count();
                let name = chars[i..i + length].iter().collect();
                i += length;
                Kind::Name(name)
            }
            _ => {
                return Err(FormulaError { position, message: format!("`{c}` has no meaning in a formula") });
            }
        };
        tokens.push(Token { position, kind });
    }
    Ok(tokens)
}

/// End of a number such as `12`, `.5`, `1.`, `2.5e-3`.
fn number_end(chars: &[char], start: usize) -> usize {
    let digits = |from: usize| from + chars[from..].iter().take_while(|c| c.is_ascii_digit()).count();
    let mut end = digits(start);
    if chars.get(end) == Some(&'.') {
        end = digits(end + 1);
    }
    if matches!(chars.get(end), Some('e' | 'E')) {
        let signed = end + 1 + usize::from(matches!(chars.get(end + 1), Some('+' | '-')));
        if chars.get(signed).is_some_and(char::is_ascii_digit) {
            end = digits(signed);
        }
    }
    end
}
