//! The brief: the hand-over report that the next shift reads, as one page that needs nothing else, or as text.

mod campaign;
mod cards;
mod command;
mod data;
mod handover;
mod limits;
mod odds;
mod page;
mod plan;
mod story;
mod text;

pub use handover::{Handover, StateLine};
pub use odds::{WorstRun, odds_page};
pub use text::WIDTH;

use super::account::Account;
use crate::history::result::{Missing, Weight, capital};
use crate::record::{RecordError, RunFile};
use crate::report::pursuit::Pursuit;
use page::{fold, safe, section};
use std::fmt::Write;

/// Why there is no brief.
#[derive(Debug, thiserror::Error)]
pub enum BriefError {
    /// Nothing to tell of.
    #[error("a brief needs at least one run")]
    NoRun,
    /// A run file can't be read.
    #[error(transparent)]
    Record(#[from] RecordError),
}

const STYLE: &str = include_str!("style.css");

/// The brief of one or more runs as one HTML page, which loads nothing and runs no script.
///
/// A damaged file gives the brief of its intact part and says so.
///
/// # Errors
/// There is no run.
pub fn html(runs: &[RunFile]) -> Result<String, BriefError> {
    let accounts: Vec<Account> = runs.iter().map(Account::read).collect();
    html_of(&accounts, runs, &Around::default())
}

/// What stands round the briefs of single runs.
#[derive(Debug, Clone, Copy, Default)]
pub struct Around<'a> {
    /// The campaign that they belong to; it is told once, above them.
    pub campaign: Option<&'a Pursuit>,
    /// The run that the first of them stands beside.
    pub before: Option<&'a Account>,
}

/// The same from accounts that were read before, and perhaps [judged anew](crate::report::rejudge). Each run but the first
/// stands beside the one in front of it. Of a campaign there may be none: then it is told alone.
///
/// # Errors
/// There is no run.
pub fn html_of(accounts: &[Account], runs: &[RunFile], around: &Around<'_>) -> Result<String, BriefError> {
    if accounts.is_empty() && around.campaign.is_none() {
        return Err(BriefError::NoRun);
    }
    let title = match accounts {
        [] => "Brief of a campaign".to_owned(),
        [one] => format!("Brief: {} — {}", one.name(), one.outcome_word()),
        many => format!("Brief of {} runs", many.len()),
    };
    let mut out = String::with_capacity(256 << 10);
    let _ = write!(
        out,
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\
         <title>{}</title><style>{STYLE}</style></head><body><a class=\"skip\" href=\"#runs\">To the runs</a><main id=\"runs\">",
        safe(&title)
    );
    around.campaign.into_iter().for_each(|pursuit| campaign::article(&mut out, pursuit));
    if accounts.len() > 1 {
        contents(&mut out, accounts);
    }
    for (i, (account, run)) in accounts.iter().zip(runs).enumerate() {
        let before = i.checked_sub(1).map_or(around.before, |before| Some(&accounts[before]));
        article(&mut out, account, run, &Among { i, of: accounts.len(), before });
    }
    let _ = write!(
        out,
        "<footer>Written by noctule {}. The run file is the truth; this page is made from it.</footer></main></body></html>",
        env!("CARGO_PKG_VERSION")
    );
    Ok(out)
}

/// The brief of one or more runs as text.
///
/// # Errors
/// There is no run.
pub fn text(runs: &[RunFile]) -> Result<String, BriefError> {
    let accounts: Vec<Account> = runs.iter().map(Account::read).collect();
    text_of(&accounts, WIDTH, &Around::default())
}

/// The same from accounts that were read before, for a terminal of so many columns.
///
/// # Errors
/// There is no run.
pub fn text_of(accounts: &[Account], width: usize, around: &Around<'_>) -> Result<String, BriefError> {
    if accounts.is_empty() && around.campaign.is_none() {
        return Err(BriefError::NoRun);
    }
    let mut out = String::new();
    around.campaign.into_iter().for_each(|pursuit| campaign::write(&mut out, pursuit, width));
    for (i, account) in accounts.iter().enumerate() {
        let before = i.checked_sub(1).map_or(around.before, |before| Some(&accounts[before]));
        text::write(&mut out, account, width, before);
    }
    // Whatever somebody wrote into a note, a terminal must not obey it.
    let plain = |c: char| if c.is_control() && c != '\n' { '\u{fffd}' } else { c };
    Ok(out.chars().map(plain).collect())
}

fn contents(out: &mut String, accounts: &[Account]) {
    out.push_str("<nav aria-label=\"Runs in this brief\"><ol>");
    for (i, account) in accounts.iter().enumerate() {
        let result = account.result();
        let _ = write!(
            out,
            "<li><a href=\"#run-{i}\">{}</a> {} {}</li>",
            safe(&account.name()),
            seal(result.weight, &result.outcome),
            safe(result.told().next().map_or("", |part| part.words.as_str()))
        );
    }
    out.push_str("</ol></nav>");
}

fn seal(weight: Weight, word: &str) -> String {
    format!("<span class=\"t-{}\">{} {}</span>", weight.word(), weight.sign(), safe(word))
}

/// Which of the runs of a brief it is, and the one that it stands beside.
struct Among<'a> {
    i: usize,
    of: usize,
    before: Option<&'a Account>,
}

/// First what a reader must know, then the figures of what the run was about; what is looked up is folded. Of several
/// runs only the last one left the bench as it stands now, so more of the others is folded: the whole shall fit on three
/// screens of a phone.
fn article(out: &mut String, account: &Account, run: &RunFile, among: &Among<'_>) {
    let i = among.i;
    let hand = Handover::new(account);
    head(out, account, &hand, i);
    section(
        out,
        "For the next shift",
        "said in the sequence",
        &page::list(&account.history.handed_over, false),
    );
    section(out, "Goals", "by the evidence in the record", &plan::goals(account));
    section(out, "Interrupted", "and resumed", &page::list(&hand.interruptions, false));
    let (alone, last) = (among.of == 1, among.i + 1 == among.of);
    let put = |shown: bool| if shown { section } else { fold };
    put(last)(out, "Do next", if last { "" } else { "as it was after this run" }, &story::next(&hand));
    let cards = cards::all(account, run, i);
    let short = alone && cards.len() < 2;
    for card in cards {
        section(out, &capital(&card.title), &card.says, &card.content);
    }
    put(alone)(out, "Timeline", "", &data::timeline(account, run));
    put(last)(out, "Bench now", "as the record left it", &story::state(&hand, true));
    put(alone)(out, "Missing", "", &page::list(&missing(&hand), false));
    let beside = among.before.map(|before| data::beside(account, before)).unwrap_or_default();
    section(out, "Beside the run before", "", &beside);
    put(alone)(out, "Open questions", "", &page::list(&hand.questions, false));
    if short {
        details(out, account, run, i, &hand);
    } else {
        let mut inner = String::new();
        details(&mut inner, account, run, i, &hand);
        fold(out, "Details", "spectra, fits, channels, cautions", &inner);
    }
    out.push_str("</article>");
}

/// What is looked up now and then.
fn details(out: &mut String, account: &Account, run: &RunFile, i: usize, hand: &Handover) {
    fold(out, "Course of the plan", "what became of its goals", &page::list(&plan::course(account), false));
    fold(out, "Choices", "by worth an hour", &plan::choices(account));
    fold(out, "Bench, all channels", "", &story::state(hand, false));
    fold(out, "Verdicts", "with their reasons", &data::verdicts(account));
    fold(out, "Spectra", "and maps", &data::spectra(account, run, i));
    fold(out, "Images", "and traces", &data::bulks(account, run));
    fold(out, "Fits", "", &data::fits(account, i));
    fold(out, "Other results", "", &data::judged(account));
    fold(out, "What ran", "", &story::steps(account));
    fold(out, "Channels", "", &data::channels(account));
    fold(out, "Tip", "", &story::tip(account));
    fold(out, "Chronicle", "interlocks, holds, faults", &story::chronicle(account));
    fold(out, "Parking", "", &story::park(account));
    fold(out, "Notes", "and decisions", &story::remarks(account));
    fold(out, "Cautions", "oxygen, cold, magnet, high voltage", &story::cautions());
    fold(out, "Identity", "", &story::identity(account));
}

/// What was planned and not done.
fn missing(hand: &Handover) -> Vec<String> {
    let told = |missing: &Missing| match missing.why.trim_end_matches('.') {
        "" => format!("{}.", capital(&missing.words)),
        why => format!("{}: {why}.", capital(&missing.words)),
    };
    hand.result.missing.iter().map(told).collect()
}

fn head(out: &mut String, account: &Account, hand: &Handover, i: usize) {
    let result = &hand.result;
    let rehearsal = account.identity.as_ref().is_some_and(|i| i.rehearsal);
    let sequence = account.identity.as_ref().map_or("what was run can't be read", |i| i.sequence.as_str());
    let bench = account.bench.as_ref().map_or_else(
        || account.identity.as_ref().map_or(String::new(), |i| i.bench.clone()),
        |b| b.name.clone(),
    );
    let _ = write!(
        out,
        "<article class=\"{}\" id=\"run-{i}\" aria-labelledby=\"title-{i}\"><div class=\"over\"><span>{}</span><span>{}</span><span>{}</span></div>",
        result.weight.word(),
        safe(&hand.span),
        if rehearsal { "rehearsal on the simulated microscope" } else { "measured" },
        safe(&bench),
    );
    let _ = write!(
        out,
        "<h1 id=\"title-{i}\">{} <span style=\"font-weight:400\">· {}</span></h1><p class=\"lead {}\"><span class=\"seal\">{} {}</span></p><ul class=\"story\">",
        safe(sequence),
        safe(&account.name()),
        result.weight.word(),
        result.weight.sign(),
        safe(&capital(&result.outcome)),
    );
    for part in result.told() {
        let _ = write!(
            out,
            "<li><span class=\"t-{}\">{}</span> {}</li>",
            part.weight.word(),
            part.weight.sign(),
            safe(&capital(&part.words))
        );
    }
    let _ = write!(out, "</ul>");
    if !hand.measured.is_empty() {
        let _ = write!(out, "<p class=\"over\">{}</p>", safe(&hand.measured));
    }
}
