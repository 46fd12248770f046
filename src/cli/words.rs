//! `noctule status`, `hold`, `release`, `stop`: words to a run from another terminal.

use super::clear::Clear;
use super::common::{columns, reject};
use crate::cautions::{Act, in_words as in_words_of};
use crate::drive::Outlook;
use crate::drive::real_time::control::say;
use crate::drive::real_time::status::Request;
use crate::quantity::in_words;
use crate::report::words::wrapped;
use crate::run::locate;
use crate::supervisor::{HoldStage, PresentHold};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// Arguments of `status`, and the first ones of the other words.
#[derive(Debug, clap::Args)]
pub struct Words {
    /// The run: its folder, its file, or the beginning of its name under runs/.
    run: String,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

/// Arguments of `hold`.
#[derive(Debug, clap::Args)]
pub struct HoldWords {
    #[command(flatten)]
    words: Words,
    /// What the hold is for: `refill` brings tip and field to the bench's refill state.
    #[arg(long = "for", value_parser = ["refill"])]
    purpose: Option<String>,
}

/// Arguments of `stop`.
#[derive(Debug, clap::Args)]
pub struct StopWords {
    #[command(flatten)]
    words: Words,
    /// End the attempts of a run that can't make its bench safe: you see to the bench by hand.
    #[arg(long)]
    leave_as_is: bool,
}

impl StopWords {
    /// Asks for the end.
    pub fn run(self) -> u8 {
        self.words.run(&if self.leave_as_is { Request::LeaveAsIs } else { Request::Stop })
    }
}

/// Arguments of `goal`.
#[derive(Debug, clap::Args)]
pub struct GoalWords {
    #[command(flatten)]
    words: Words,
    /// The goal, by the name that the plan gives it.
    goal: String,
    /// It comes first from now on.
    #[arg(long, conflicts_with = "not_wanted", required_unless_present = "not_wanted")]
    first: bool,
    /// It is not wanted any more.
    #[arg(long)]
    not_wanted: bool,
    /// Who says so.
    #[arg(long)]
    by: Option<String>,
}

impl GoalWords {
    /// Says a word on the plan.
    pub fn run(self) -> u8 {
        let (goal, by) = (self.goal, self.by);
        let word =
            if self.not_wanted { Request::NotWanted { goal, by } } else { Request::First { goal, by } };
        self.words.run(&word)
    }
}

/// Arguments of `answer`.
#[derive(Debug, clap::Args)]
pub struct AnswerWords {
    #[command(flatten)]
    words: Words,
    /// The question, by its name.
    question: String,
    /// The answer.
    says: String,
    /// Who answers.
    #[arg(long)]
    by: Option<String>,
}

impl AnswerWords {
    /// Answers what a plan has asked people.
    pub fn run(self) -> u8 {
        let Self { words, question, says, by } = self;
        words.run(&Request::Answer { question, says, by })
    }
}

/// Arguments of `release`.
#[derive(Debug, clap::Args)]
pub struct ReleaseWords {
    #[command(flatten)]
    words: Words,
    #[command(flatten)]
    clear: Clear,
}

impl ReleaseWords {
    /// Lets a held run go on, once somebody says that people are clear.
    pub fn run(self) -> u8 {
        let held = self.words.folder().and_then(|folder| say(&folder, &Request::Status));
        let by_operator = match held {
            Ok(status) => hold_of(&status).is_some_and(|hold| hold.operator),
            Err(reason) => return reject(&reason),
        };
        // Where no operator holds, no hands are expected in the machine, and nothing is released.
        let clear_by = if by_operator { self.clear.ask().map(Some) } else { Ok(None) };
        match clear_by {
            Ok(clear_by) => self.words.run(&Request::Release { clear_by }),
            Err(code) => code,
        }
    }
}

impl HoldWords {
    /// Asks for the hold.
    pub fn run(self) -> u8 {
        self.words.run(&if self.purpose.is_some() { Request::HoldForRefill } else { Request::Hold })
    }
}

impl Words {
    fn folder(&self) -> Result<PathBuf, String> {
        let file = locate(&self.run).map_err(|error| error.to_string())?;
        Ok(file.parent().map(Path::to_owned).unwrap_or_default())
    }

    /// Says a word.
    pub fn run(self, request: &Request) -> u8 {
        let folder = match self.folder() {
            Ok(folder) => folder,
            Err(error) => return reject(&error),
        };
        let asked = *request == Request::Status;
        // What a word does depends on what it met.
        let before = if asked { Ok(Value::Null) } else { say(&folder, &Request::Status) };
        match before.and_then(|before| Ok((before, say(&folder, request)?))) {
            Err(reason) => reject(&reason),
            Ok((before, mut status)) => {
                let effect = effect(request, &before, &status);
                if self.json {
                    if !asked {
                        status["effect"] = effect.into();
                    }
                    println!("{status}");
                } else {
                    if !asked {
                        println!("{effect}");
                    }
                    show(&status);
                    // Who reads this may be about to put their hands into the machine, or may have them there.
                    if let Some(act) = act(request, &status) {
                        eprint!("\n{}", in_words_of(act));
                    }
                }
                0
            }
        }
    }
}

/// What people may do next, or what happens to them next.
fn act(request: &Request, after: &Value) -> Option<Act> {
    let for_refill = hold_of(after).is_some_and(|hold| hold.refill) || *request == Request::HoldForRefill;
    match request {
        // Its cautions were printed with the question.
        Request::Release { .. }
        | Request::Stop
        | Request::LeaveAsIs
        | Request::First { .. }
        | Request::NotWanted { .. }
        | Request::Answer { .. } => None,
        _ if for_refill => Some(Act::Fill),
        _ => hold_of(after).map(|_| Act::Work),
    }
}

fn hold_of(status: &Value) -> Option<PresentHold> {
    status.get("hold").and_then(|hold| serde_json::from_value(hold.clone()).ok())
}

/// The same for a run that can't make its bench safe, and for the word that is meant for one.
fn while_not_safe(request: &Request, what: Option<&str>) -> Option<String> {
    match (request, what) {
        (Request::LeaveAsIs, None) => Some(
            "No attempt to park has failed: nothing has changed. `stop` alone ends a run and parks."
                .to_owned(),
        ),
        (Request::LeaveAsIs, Some(what)) => {
            Some(format!("The attempts end, and the run ends as not parked. See to the bench now: {what}."))
        }
        (_, Some(what)) => Some(format!(
            "The run is ending and can't make the bench safe yet ({what}); it goes on trying. Where you see to the bench \
             by hand, `stop --leave-as-is` ends that."
        )),
        (_, None) => None,
    }
}

/// What an answer has done.
fn answered(question: &str, says: &str, before: &Value, after: &Value) -> String {
    let find = |status: &Value| {
        let all = status["questions"].as_array().cloned().unwrap_or_default();
        all.into_iter().find(|asked| asked["name"] == question)
    };
    let (was, is) = (find(before), find(after));
    let Some(was) = was else {
        return format!("The plan has not asked `{question}`: nothing has changed.");
    };
    if let Some(held) = was["holds"].as_str() {
        return format!("`{held}` holds for `{question}` already: nothing has changed.");
    }
    if is.is_some_and(|is| is["holds"] == says) {
        return "It is recorded; the plan meets it when it asks again.".to_owned();
    }
    let answers = was["answers"].as_array().into_iter().flatten().filter_map(Value::as_str);
    let answers: Vec<&str> = answers.collect();
    format!("`{question}` is answered with {}: nothing has changed.", answers.join(" or "))
}

/// What a word has done, in one sentence.
fn effect(request: &Request, before: &Value, after: &Value) -> String {
    let was = hold_of(before);
    let is = hold_of(after);
    let waits = |hold: &PresentHold| match hold.waits_for.as_slice() {
        [] => String::new(),
        all => format!("; it waits for {}", all.join(", then for ")),
    };
    if let Some(told) = while_not_safe(request, before["not_safe_yet"].as_str()) {
        return told;
    }
    if matches!(before["state"].as_str(), Some("parking" | "over")) {
        return "The run is ending already: nothing has changed.".to_owned();
    }
    if let Request::First { goal, .. } | Request::NotWanted { goal, .. } = request {
        let named = |known: &Value| known["name"] == goal.as_str();
        return match after["goals"].as_array().is_some_and(|goals| goals.iter().any(named)) {
            true => "It is recorded; the plan meets it with its next choice.".to_owned(),
            false => format!("The plan has no goal `{goal}`: nothing has changed."),
        };
    }
    if let Request::Answer { question, says, .. } = request {
        return answered(question, says, before, after);
    }
    match (request, was) {
        (
            Request::Status
            | Request::LeaveAsIs
            | Request::First { .. }
            | Request::NotWanted { .. }
            | Request::Answer { .. },
            _,
        ) => String::new(),
        (Request::Stop, _) => {
            "It ends at the next point and parks; a second `stop` ends it at once.".to_owned()
        }
        (Request::Release { .. }, None) => "Nothing was held: the run goes on as before.".to_owned(),
        (Request::Release { .. }, Some(was)) if was.stage == HoldStage::Leaving => {
            "It is on its way back already: nothing has changed.".to_owned()
        }
        (Request::Release { .. }, Some(was)) if !was.operator => {
            format!("There was no operator's hold to release{}.", waits(&was))
        }
        (Request::Release { .. }, Some(_)) => match is {
            Some(is) if is.stage == HoldStage::Leaving => {
                "Released: the bench is brought back, then the run goes on.".to_owned()
            }
            Some(is) => format!("Released{}.", waits(&is)),
            None => "Released: the run goes on.".to_owned(),
        },
        (Request::HoldForRefill, Some(was)) if !was.refill => {
            "It was held: now it is held for a refill, and goes to the refill state.".to_owned()
        }
        (_, Some(was)) if was.operator => {
            let word = if was.stage == HoldStage::Asked { "A hold was asked for" } else { "It was held" };
            let how_long =
                if was.for_s > 0.0 { format!(", for {}", in_words(was.for_s)) } else { String::new() };
            format!("{word} already{how_long}: nothing has changed.")
        }
        (_, Some(_)) => "It is held now until an operator releases it.".to_owned(),
        (Request::HoldForRefill, None) => {
            "It is held at the next point and goes to the refill state; `status` says when that is reached."
                .to_owned()
        }
        (_, None) => "It is held at the next point.".to_owned(),
    }
}

fn show(status: &Value) {
    let text = |key: &str| status.get(key).and_then(Value::as_str).unwrap_or("");
    if !text("not_safe_yet").is_empty() {
        println!("NOT safe yet: {}", text("not_safe_yet"));
    }
    let number = |key: &str| status.get(key).and_then(Value::as_f64).unwrap_or(0.0);
    match hold_of(status) {
        Some(hold) if hold.stage == HoldStage::Asked => {
            println!("{} for {}", text("state"), in_words(number("elapsed_s")));
            println!("hold     {}", hold.in_words());
        }
        Some(hold) => {
            println!(
                "{} for {} (in a run of {})",
                text("state"),
                in_words(hold.for_s),
                in_words(number("elapsed_s"))
            );
            println!("hold     {}", hold.in_words());
        }
        None => println!("{} for {}", text("state"), in_words(number("elapsed_s"))),
    }
    if !text("headline").is_empty() {
        println!("{}", wrapped(text("headline"), "so far   ", "         ", columns()).trim_end());
    }
    for goal in status.get("goals").and_then(Value::as_array).into_iter().flatten() {
        let said = |key: &str| goal[key].as_str().unwrap_or("");
        let line = format!("{}: {}", said("name"), said("words"));
        println!("{}", wrapped(&line, "goal     ", "         ", columns()).trim_end());
    }
    if !text("chosen").is_empty() {
        println!("{}", wrapped(text("chosen"), "next     ", "         ", columns()).trim_end());
    }
    if !text("budget").is_empty() {
        println!("{}", wrapped(text("budget"), "budget   ", "         ", columns()).trim_end());
    }
    for asked in status.get("questions").and_then(Value::as_array).into_iter().flatten() {
        let said = |key: &str| asked[key].as_str().unwrap_or("");
        let line = format!("`{}`: {}", said("name"), said("words"));
        println!("{}", wrapped(&line, "asked    ", "         ", columns()).trim_end());
    }
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
    show_bench(status);
}

/// Channels, interlocks that have tripped, and what was said last.
fn show_bench(status: &Value) {
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

#[cfg(test)]
mod tests {
    use super::*;

    const RELEASE: Request = Request::Release { clear_by: None };
    use serde_json::json;

    #[test]
    fn a_word_that_changes_nothing_says_so() {
        let hold = |stage: &str, operator: bool, refill: bool| {
            json!({ "state": "held", "hold": { "stage": stage, "for_s": 49.0, "refill": refill, "operator": operator,
                "waits_for": ["`current lost` to clear"] } })
        };
        let free = json!({ "state": "running", "hold": null });
        let said = |request, before: &Value, after: &Value| effect(&request, before, after);
        let held = hold("waiting", true, false);
        assert_eq!(said(Request::Hold, &held, &held), "It was held already, for 49 s: nothing has changed.");
        assert!(said(Request::HoldForRefill, &held, &held).contains("now it is held for a refill"));
        assert_eq!(said(RELEASE, &free, &free), "Nothing was held: the run goes on as before.");
        let locked = hold("waiting", false, false);
        let kept = said(RELEASE, &locked, &locked);
        assert_eq!(kept, "There was no operator's hold to release; it waits for `current lost` to clear.");
        assert!(said(RELEASE, &held, &hold("leaving", false, false)).contains("is brought back"));
        assert_eq!(said(Request::Hold, &free, &hold("asked", true, false)), "It is held at the next point.");
        let ending = json!({ "state": "parking" });
        assert!(said(Request::Stop, &ending, &ending).contains("ending already"));
    }
}
