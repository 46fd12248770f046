//! `noctule status`, `hold`, `release`, `stop`: words to a run from another terminal.

use super::common::reject;
use crate::drive::Outlook;
use crate::drive::wall::control::say;
use crate::drive::wall::status::Request;
use crate::quantity::in_words;
use crate::run::locate;
use serde_json::Value;
use std::path::Path;

/// Arguments of all four.
#[derive(Debug, clap::Args)]
pub struct Words {
    /// The run: its folder, its file, or the beginning of its name under runs/.
    run: String,
    /// What the hold is for: `refill` brings tip and field to the bench's refill state.
    #[arg(long = "for", value_parser = ["refill"])]
    purpose: Option<String>,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl Words {
    /// Says a word.
    pub fn run(self, request: Request) -> u8 {
        let request = match (request, self.purpose.as_deref()) {
            (Request::Hold, Some("refill")) => Request::HoldForRefill,
            (request, None) => request,
            _ => return reject("`--for refill` belongs to `noctule hold`"),
        };
        let folder = match locate(&self.run) {
            Ok(file) => file.parent().map(Path::to_owned).unwrap_or_default(),
            Err(error) => return reject(&error.to_string()),
        };
        match say(&folder, &request) {
            Err(reason) => reject(&reason),
            Ok(status) => {
                if self.json {
                    println!("{status}")
                } else {
                    show(&status)
                }
                0
            }
        }
    }
}

fn show(status: &Value) {
    let text = |key: &str| status.get(key).and_then(Value::as_str).unwrap_or("");
    let number = |key: &str| status.get(key).and_then(Value::as_f64).unwrap_or(0.0);
    println!("{} for {}", text("state"), in_words(number("elapsed_s")));
    let ahead = status.get("outlook").and_then(|o| serde_json::from_value::<Outlook>(o.clone()).ok());
    if let Some(ahead) = &ahead {
        let basis = if ahead.basis.is_empty() { String::new() } else { format!("; {}", ahead.basis) };
        println!("left     {}{basis}", ahead.left_words());
    }
    if let Some(left) = status.get("window_left_s").and_then(Value::as_f64) {
        let short =
            if ahead.as_ref().is_some_and(Outlook::is_too_long) { ", shorter than what is left" } else { "" };
        println!("window   {} left{short}", in_words(left));
    }
    if let Some(helium) = ahead.as_ref().and_then(Outlook::helium_words) {
        println!("helium   {helium}");
    }
    if !text("step").is_empty() {
        println!("step     {} (for {})", text("step"), in_words(number("step_s")));
    }
    if let Some((done, planned)) = ahead.as_ref().and_then(|a| a.sweep_points) {
        let left = ahead.as_ref().and_then(|a| a.sweep_left_s).map(|s| format!(", {} left", in_words(s)));
        println!("sweep    {done} of {planned} points{}", left.unwrap_or_default());
    }
    println!("points   {} in {} sweeps", number("points"), number("sweeps"));
    for channel in status.get("channels").and_then(Value::as_array).into_iter().flatten() {
        let part = |key: &str| channel.get(key).and_then(Value::as_str).unwrap_or("");
        let age = channel.get("age_s").and_then(Value::as_f64).unwrap_or(0.0);
        println!("  {:<22} {:>14}   {} ago", part("name"), part("value"), in_words(age));
    }
    for lock in status.get("interlocks").and_then(Value::as_array).into_iter().flatten() {
        if lock.get("tripped").and_then(Value::as_bool) == Some(true) {
            let part = |key: &str| lock.get(key).and_then(Value::as_str).unwrap_or("");
            println!("TRIPPED  {} ({}): {}", part("name"), part("action"), part("condition"));
        }
    }
    for message in status.get("messages").and_then(Value::as_array).into_iter().flatten() {
        println!("  {}", message.as_str().unwrap_or(""));
    }
}
