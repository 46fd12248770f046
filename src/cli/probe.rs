//! `noctule probe`: talks to every link and channel of a bench, and sets nothing.

use super::common::{print, reject, reject_all, show};
use crate::bench::{Address, Bench, Channel, LinkKind, read};
use crate::drive::connect::open_all;
use crate::instrument::Instrument;
use crate::run::BenchSource;
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::PathBuf;
use std::time::Instant;

/// Arguments of `noctule probe`.
#[derive(Debug, clap::Args)]
pub struct Probe {
    /// The bench file.
    bench: PathBuf,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

/// What one query has brought.
struct Look {
    answer: Result<String, String>,
    raw: Option<String>,
    took_ms: f64,
}

fn look(
    instrument: &mut dyn Instrument,
    ask: impl FnOnce(&mut dyn Instrument) -> Result<String, String>,
) -> Look {
    let began = Instant::now();
    let answer = ask(instrument);
    let took_ms = began.elapsed().as_secs_f64() * 1e3;
    Look { answer, raw: instrument.last_reply(), took_ms }
}

/// What nobody would notice about sets of a channel; nothing where a set is looked at.
fn unverified(bench: &Bench, channel: &Channel) -> Option<&'static str> {
    let (Address::Scpi(address), LinkKind::Scpi(link)) = (&channel.address, &bench.links[channel.link].kind)
    else {
        return None;
    };
    let looked_at = address.verify.is_some()
        || address.acknowledge.is_some()
        || channel.tolerance.is_some()
        || link.error_query.is_some();
    (channel.settable && !looked_at)
        .then_some("a set is not verified: give it `verify`, `acknowledge` or `tolerance`")
}

impl Probe {
    /// Asks everything once. Exit code 5 if anything did not answer.
    pub fn run(self) -> u8 {
        let source = match BenchSource::load(Some(&self.bench)) {
            Ok(source) => source,
            Err(diagnostic) => return reject_all(&[*diagnostic], "", self.json),
        };
        let bench = match read(&source.text, &source.name) {
            Ok((bench, warnings)) => {
                show(&warnings, &source.text);
                bench
            }
            Err(found) => return reject_all(&found, &source.text, self.json),
        };
        let mut instruments = match open_all(&bench, &source.folder(), 1) {
            Ok(instruments) => instruments,
            Err(reason) => return reject(&reason),
        };
        let (mut table, mut rows, mut failed) = (String::new(), Vec::new(), false);
        for (index, link) in bench.links.iter().enumerate() {
            let instrument = instruments[index].as_mut();
            let who = look(instrument, |i| i.identify().map(|who| who.text).map_err(|e| e.to_string()));
            failed |= who.answer.is_err();
            note(&mut table, &mut rows, (&link.name, None), &who, None);
            for channel in bench.channels.iter().filter(|channel| channel.link == index) {
                let seen = look(instrument, |i| {
                    i.read(channel).map(|value| channel.show(value)).map_err(|e| e.to_string())
                });
                failed |= seen.answer.is_err();
                let remark = unverified(&bench, channel);
                note(&mut table, &mut rows, (&link.name, Some(&channel.name)), &seen, remark);
            }
        }
        if self.json {
            println!("{}", json!({ "bench": bench.name, "ok": !failed, "looks": rows }));
        } else {
            print(&table);
        }
        if failed { 5 } else { 0 }
    }
}

/// A line of the table and an object of the list.
fn note(
    table: &mut String,
    rows: &mut Vec<Value>,
    what: (&str, Option<&str>),
    look: &Look,
    remark: Option<&str>,
) {
    let (link, channel) = what;
    let (word, said) = match &look.answer {
        Ok(said) => ("✓", said),
        Err(error) => ("✗", error),
    };
    let name = channel.unwrap_or(link);
    let indent = if channel.is_some() { "  " } else { "" };
    let raw = look.raw.as_ref().map(|raw| format!("  from `{raw}`")).unwrap_or_default();
    let _ = writeln!(table, "{word} {:<22} {said}{raw}  ({:.1} ms)", format!("{indent}{name}"), look.took_ms);
    if let Some(remark) = remark {
        let _ = writeln!(table, "▲   {name}: {remark}");
    }
    rows.push(json!({
        "link": link, "channel": channel, "ok": look.answer.is_ok(), "says": said, "reply": look.raw,
        "took_ms": look.took_ms, "remark": remark,
    }));
}
