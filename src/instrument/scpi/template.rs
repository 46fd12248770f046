//! Messages from the templates of a bench file.

use crate::instrument::Task;
use serde_json::Value;

/// A number as SCPI takes it (IEEE 488.2 decimal numeric program data), in the fewest digits that lead back to the same number.
///
/// ```
/// use noctule::instrument::scpi::template::number;
/// assert_eq!(number(0.05), "0.05");
/// assert_eq!(number(2e-11), "2E-11");
/// assert_eq!(number(14.2e9), "1.42E10");
/// assert_eq!(number(-0.0), "0");
/// ```
pub fn number(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    if (1e-4..1e7).contains(&value.abs()) { format!("{value}") } else { format!("{value:E}") }
}

/// Fills `{}` of a `set` template.
///
/// # Errors
/// One phrase, if the value is not finite or the template has no place for it.
pub fn set_message(template: &str, value: f64) -> Result<String, String> {
    if !value.is_finite() {
        return Err(format!("{value} is no finite number"));
    }
    if !template.contains("{}") {
        return Err(format!("its `set` message `{template}` has no place `{{}}` for the number"));
    }
    Ok(template.replace("{}", &number(value)))
}

/// Fills `{name}` of a task's start message with the task's arguments; `{channel}` is the name of the traced channel.
///
/// # Errors
/// One phrase, if the message asks for something that the task does not have.
pub fn task_message(template: &str, task: &Task, traced: Option<&str>) -> Result<String, String> {
    let arguments = task.arguments();
    let mut message = String::with_capacity(template.len() + 32);
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        message.push_str(&rest[..open]);
        let after = &rest[open + 1..];
        let Some(close) = after.find('}') else {
            return Err(format!("a `{{` is never closed in `{template}`"));
        };
        let name = &after[..close];
        let value = match (name, arguments.get(name)) {
            ("channel", Some(_)) => traced.ok_or("a trace needs a channel")?.to_owned(),
            (_, Some(value)) => argument(value)?,
            (_, None) => return Err(format!("it has no `{name}`, for which `{template}` asks")),
        };
        message.push_str(&value);
        rest = &after[close + 1..];
    }
    message.push_str(rest);
    Ok(message)
}

fn argument(value: &Value) -> Result<String, String> {
    match value {
        Value::Bool(flag) => Ok(u8::from(*flag).to_string()),
        Value::Number(whole) if whole.is_i64() || whole.is_u64() => Ok(whole.to_string()),
        Value::Number(real) => real.as_f64().map(number).ok_or_else(|| format!("{real} is no number")),
        // JSON has no not-a-number: such an argument arrives here as null.
        other => Err(format!("{other} is no finite number")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::ChannelId;
    use proptest::prelude::*;

    #[test]
    fn arguments_find_their_places() {
        let task = Task::MoveTip { x_m: 1e-9, y_m: -2.5e-9, speed_m_s: 1e-8 };
        let message = task_message("TASK:MOVE {x_m},{y_m},{speed_m_s}", &task, None).unwrap();
        assert_eq!(message, "TASK:MOVE 1E-9,-2.5E-9,1E-8");
        let trace = Task::Trace { channel: ChannelId(3), samples: 20, interval_s: 0.01 };
        let message = task_message("TASK:TRAC \"{channel}\",{samples},{interval_s}", &trace, Some("current"));
        assert_eq!(message.unwrap(), "TASK:TRAC \"current\",20,0.01");
        let persist = Task::Persist { persistent: true };
        assert_eq!(task_message("TASK:PERS {persistent}", &persist, None).unwrap(), "TASK:PERS 1");
    }

    #[test]
    fn what_a_template_lacks_is_said() {
        assert!(set_message("OUTP ON", 1.0).unwrap_err().contains("no place"));
        assert!(set_message("VOLT {}", f64::NAN).is_err());
        assert!(task_message("GO {speed}", &Task::Approach, None).unwrap_err().contains("`speed`"));
        assert!(task_message("GO {speed", &Task::Approach, None).unwrap_err().contains("never closed"));
        let hopeless = Task::Pulse { volts: f64::NAN, length_s: 0.1 };
        assert!(task_message("PULS {volts}", &hopeless, None).is_err());
    }

    proptest! {
        #[test]
        fn a_number_leads_back_to_itself(value in prop::num::f64::NORMAL | prop::num::f64::SUBNORMAL | prop::num::f64::ZERO) {
            prop_assert_eq!(number(value).parse::<f64>().unwrap(), value);
            prop_assert_eq!(super::super::reply::number(&number(value % 1e37)), Ok(value % 1e37));
        }
    }
}
