//! Lines of JSON-RPC 2.0.

use crate::instrument::{ErrorKind, TaskReport};
use serde_json::{Value, json};

/// What a line from the driver is to the request that waits.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Its result.
    Result(Value),
    /// Its error.
    Error(ErrorKind, String),
    /// The reply to a request that was given up.
    Old,
    /// No reply.
    Notification,
    /// Nothing that makes sense.
    Garbled(String),
}

/// A request, with the newline at its end.
pub fn request(id: u64, method: &str, params: &Value) -> Vec<u8> {
    let object = json!({ "jsonrpc": "2.0", "id": id, "method": method, "params": params });
    let mut line = object.to_string().into_bytes();
    line.push(b'\n');
    line
}

/// Understands a line while request `waiting` waits; requests before it were answered or given up.
///
/// ```
/// use noctule::instrument::process::protocol::{Answer, understand};
/// assert_eq!(understand(r#"{"jsonrpc":"2.0","id":7,"result":0.5}"#, 7), Answer::Result(0.5.into()));
/// assert_eq!(understand(r#"{"jsonrpc":"2.0","id":6,"result":0.4}"#, 7), Answer::Old);
/// ```
pub fn understand(line: &str, waiting: u64) -> Answer {
    let Ok(Value::Object(object)) = serde_json::from_str::<Value>(line) else {
        return Answer::Garbled(format!("`{}` is no JSON object", shorten(line)));
    };
    if object.get("jsonrpc").and_then(Value::as_str) != Some("2.0") {
        return Answer::Garbled(format!("`{}` is not JSON-RPC 2.0", shorten(line)));
    }
    match object.get("id") {
        None if object.contains_key("method") => return Answer::Notification,
        Some(id) if id.as_u64() == Some(waiting) => {}
        Some(id) if id.as_u64().is_some_and(|id| id < waiting) => return Answer::Old,
        // An error in reading a request comes back with the id null.
        Some(Value::Null) if object.contains_key("error") => {
            return Answer::Garbled(format!("it did not understand a request: `{}`", shorten(line)));
        }
        _ => return Answer::Garbled(format!("`{}` answers no request", shorten(line))),
    }
    match (object.get("result"), object.get("error")) {
        (Some(result), None) => Answer::Result(result.clone()),
        (None, Some(error)) => {
            let Some(code) = error.get("code").and_then(Value::as_i64) else {
                return Answer::Garbled("its error has no code".to_owned());
            };
            let message = error.get("message").and_then(Value::as_str).unwrap_or("an error");
            Answer::Error(kind_of(code), format!("{} ({code})", shorten(message)))
        }
        _ => Answer::Garbled("a reply has either a result or an error".to_owned()),
    }
}

/// The kind that an error code stands for.
pub fn kind_of(code: i64) -> ErrorKind {
    match code {
        1 => ErrorKind::Absent,
        2 => ErrorKind::Busy,
        4 | -32700 | -32600 | -32603 => ErrorKind::Garbled,
        5 => ErrorKind::TimedOut,
        6 => ErrorKind::AboveRange,
        7 => ErrorKind::BelowRange,
        _ => ErrorKind::Refused,
    }
}

/// The result of `poll`; none while the task runs.
///
/// # Errors
/// One sentence.
pub fn report(result: &Value) -> Result<Option<TaskReport>, String> {
    let flag = |name: &str| result.get(name).and_then(Value::as_bool);
    match flag("running") {
        Some(true) => return Ok(None),
        Some(false) => {}
        None => return Err("the result of `poll` has no `running`".to_owned()),
    }
    let Some(achieved) = flag("achieved") else {
        return Err("the report of a task has no `achieved`".to_owned());
    };
    let remark = result.get("remark").and_then(Value::as_str).unwrap_or_default().to_owned();
    let mut data = Vec::new();
    if let Some(numbers) = result.get("data") {
        let numbers = numbers.as_array().ok_or("`data` is no list")?;
        for number in numbers {
            let value = number.as_f64().filter(|value| value.is_finite());
            data.push(
                value.ok_or_else(|| {
                    format!("{} in `data` is no finite number", shorten(&number.to_string()))
                })?,
            );
        }
    }
    Ok(Some(TaskReport { achieved, remark, data }))
}

/// The beginning of a line, for messages.
pub fn shorten(line: &str) -> String {
    crate::diagnostic::shorten(line, 120)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn lines_are_told_apart() {
        let kind = |line: &str| match understand(line, 5) {
            Answer::Garbled(_) => "garbled",
            Answer::Result(_) => "result",
            Answer::Error(..) => "error",
            Answer::Old => "old",
            Answer::Notification => "notification",
        };
        for (line, expected) in [
            (r#"{"jsonrpc":"2.0","id":5,"result":null}"#, "result"),
            (r#"{"jsonrpc":"2.0","id":5,"error":{"code":2,"message":"busy"}}"#, "error"),
            (r#"{"jsonrpc":"2.0","id":4,"result":1}"#, "old"),
            (r#"{"jsonrpc":"2.0","method":"log","params":{}}"#, "notification"),
            (r#"{"jsonrpc":"2.0","id":6,"result":1}"#, "garbled"),
            (r#"{"jsonrpc":"2.0","id":"5","result":1}"#, "garbled"),
            (r#"{"jsonrpc":"2.0","id":null,"error":{"code":-32700,"message":"what"}}"#, "garbled"),
            (r#"{"jsonrpc":"2.0","id":5,"result":1,"error":{"code":1}}"#, "garbled"),
            (r#"{"jsonrpc":"2.0","id":5}"#, "garbled"),
            (r#"{"id":5,"result":1}"#, "garbled"),
            ("[1]", "garbled"),
            ("", "garbled"),
            ("hello", "garbled"),
        ] {
            assert_eq!(kind(line), expected, "{line}");
        }
    }

    #[test]
    fn codes_become_kinds() {
        let kinds = [1, 2, 3, 4, 5, -32601, -32602, -32603, 99].map(kind_of);
        use ErrorKind::{Absent, Busy, Garbled, Refused, TimedOut};
        assert_eq!([6, 7].map(kind_of), [ErrorKind::AboveRange, ErrorKind::BelowRange]);
        assert_eq!(kinds, [Absent, Busy, Refused, Garbled, TimedOut, Refused, Refused, Garbled, Refused]);
    }

    #[test]
    fn reports_are_complete_or_garbled() {
        assert_eq!(report(&json!({ "running": true })), Ok(None));
        let done = report(&json!({ "running": false, "achieved": true, "remark": "done", "data": [1, 2.5] }));
        assert_eq!(done.unwrap().unwrap().data, [1.0, 2.5]);
        assert!(report(&json!({ "running": false })).is_err());
        assert!(report(&json!({ "running": false, "achieved": true, "data": [null] })).is_err());
        assert!(report(&json!(null)).is_err());
    }

    proptest! {
        #[test]
        fn no_line_makes_it_panic(line in "\\PC{0,80}", id in any::<u64>()) {
            if let Answer::Result(value) = understand(&line, id) {
                let _ = report(&value);
            }
        }
    }
}
