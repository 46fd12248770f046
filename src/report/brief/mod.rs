//! The brief: the hand-over report that the next shift reads, as one page that needs nothing else, or as text.

mod data;
mod handover;
mod marks;
mod next;
mod page;
mod story;
mod text;

pub use handover::{Handover, StateLine, Weight};

use super::account::Account;
use crate::record::{RecordError, RunFile};
use page::{safe, section};
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
    html_of(&accounts, runs)
}

/// The same from accounts that were read before, and perhaps [judged anew](crate::report::rejudge).
///
/// # Errors
/// There is no run.
pub fn html_of(accounts: &[Account], runs: &[RunFile]) -> Result<String, BriefError> {
    if accounts.is_empty() {
        return Err(BriefError::NoRun);
    }
    let title = match accounts {
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
    if accounts.len() > 1 {
        contents(&mut out, accounts);
    }
    for (i, (account, run)) in accounts.iter().zip(runs).enumerate() {
        article(&mut out, account, run, i);
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
    text_of(&accounts)
}

/// The same from accounts that were read before.
///
/// # Errors
/// There is no run.
pub fn text_of(accounts: &[Account]) -> Result<String, BriefError> {
    if accounts.is_empty() {
        return Err(BriefError::NoRun);
    }
    let mut out = String::new();
    for account in accounts {
        text::write(&mut out, account);
    }
    // Whatever somebody wrote into a note, a terminal must not obey it.
    let plain = |c: char| if c.is_control() && c != '\n' { '\u{fffd}' } else { c };
    Ok(out.chars().map(plain).collect())
}

fn contents(out: &mut String, accounts: &[Account]) {
    out.push_str("<nav aria-label=\"Runs in this brief\"><ol>");
    for (i, account) in accounts.iter().enumerate() {
        let hand = Handover::new(account);
        let (word, weight) = hand.outcome;
        let _ = write!(
            out,
            "<li><a href=\"#run-{i}\">{}</a> <span class=\"t-{}\">{} {}</span> · {}</li>",
            safe(&account.name()),
            weight.word(),
            weight.sign(),
            safe(&word),
            safe(&hand.measured)
        );
    }
    out.push_str("</ol></nav>");
}

fn article(out: &mut String, account: &Account, run: &RunFile, i: usize) {
    let hand = Handover::new(account);
    let (word, weight) = &hand.outcome;
    let rehearsal = account.identity.as_ref().is_some_and(|i| i.rehearsal);
    let sequence = account.identity.as_ref().map_or("what was run can't be read", |i| i.sequence.as_str());
    let bench = account.bench.as_ref().map_or_else(
        || account.identity.as_ref().map_or(String::new(), |i| i.bench.clone()),
        |b| b.name.clone(),
    );
    let _ = write!(
        out,
        "<article class=\"{}\" id=\"run-{i}\" aria-labelledby=\"title-{i}\"><div class=\"over\"><span>{}</span><span>{}</span><span>{}</span></div>",
        weight.word(),
        safe(&hand.span),
        if rehearsal { "rehearsal on the simulated microscope" } else { "measured" },
        safe(&bench),
    );
    let _ = write!(
        out,
        "<h1 id=\"title-{i}\">{} <span style=\"font-weight:400\">· {}</span></h1><div class=\"lead\"><span class=\"seal\">{} {}</span><p>{}</p></div><p class=\"over\">{}</p>",
        safe(sequence),
        safe(&account.name()),
        weight.sign(),
        safe(&handover::capital(word)),
        safe(&hand.sentence),
        safe(&hand.measured)
    );
    section(out, "For the next shift", "said in the sequence", &page::list(&hand.writers_words, false));
    section(out, "Interrupted", "and resumed", &page::list(&hand.interruptions, false));
    section(out, "Bench now", "as the record left it", &story::state(&hand));
    section(out, "Do next", "", &story::next(&hand));
    section(out, "Open questions", "", &page::list(&hand.questions, false));
    section(out, "Is it real?", "", &data::verdicts(account));
    section(out, "Resonance against field", "", &data::resonance(account));
    section(out, "Spectra", "", &data::spectra(account, run));
    section(out, "Images", "and traces", &data::bulks(account, run));
    section(out, "Fits", "", &data::fits(account));
    section(out, "What ran", "", &story::steps(account));
    section(out, "Channels", "", &data::channels(account));
    section(out, "Tip", "", &story::tip(account));
    section(out, "Chronicle", "interlocks, holds, faults", &story::chronicle(account));
    section(out, "Parking", "", &story::park(account));
    section(out, "Notes", "and decisions", &story::remarks(account));
    section(out, "Cautions", "", &story::cautions());
    section(out, "Identity", "", &story::identity(account));
    out.push_str("</article>");
}
