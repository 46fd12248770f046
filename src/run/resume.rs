//! Going on where a run was cut: the way back to the state in which the sequence had left the bench.

use crate::bench::{Bench, ChannelId, Role};
use crate::drive::Port;
use crate::history::History;
use crate::instrument::Task;
use crate::record::{
    Answer, Call, CentrePlan, Denial, Ending, JudgementKind, OWN_CALL, Outcome, Place, Request, Statement,
};
use crate::supervisor::{bias_to_approach_with, is_no_bias};
use std::collections::BTreeMap;

/// Part of a channel's range within which it counts as standing where it should.
const SAME_PART: f64 = 1e-3;

/// Reads the bench, compares it with what is known, and brings back what differs: channel by channel,
/// within limits and slew, what an approach needs before it, the RF after it. `next` is the call that comes then: where
/// an approach was cut and has arrived unseen, the tip comes out first.
///
/// # Errors
/// The ending, if the bench can't be read or brought back.
pub fn restore(port: &mut dyn Port, bench: &Bench, history: &History, next: &Request) -> Result<(), Ending> {
    let left = &history.left;
    let approaching = matches!(next, Request::Task(Task::Approach)).then_some(false);
    let should_be_in = left.approached.or(approaching);
    let known = left.values.iter().filter_map(|(name, value)| Some((bench.find(name)?, *value)));
    let known: BTreeMap<ChannelId, f64> = known.collect();
    let approached = bench.by_role(Role::Approached);
    let mut asked: Vec<ChannelId> = known.keys().copied().collect();
    asked.extend(approached.filter(|_| should_be_in.is_some()));
    if asked.is_empty() {
        return Ok(());
    }
    let found = match request(port, Request::Read { channels: asked.clone(), samples: 1, spacing_s: 0.0 })? {
        Answer::Numbers(found) => found,
        other => return Err(fault(format!("the bench could not be read back: {other:?}"))),
    };
    let mut values = Vec::new();
    let mut approach = None;
    let mut differences = Vec::new();
    for (id, now) in asked.iter().zip(found) {
        let channel = bench.channel(*id);
        if Some(*id) == approached {
            if should_be_in == Some(now < 0.5) {
                approach = should_be_in;
                let should = if now < 0.5 { "in range" } else { "withdrawn" };
                differences.push(format!("the tip should be {should} and is not"));
            }
            continue;
        }
        let Some(then) = known.get(id).copied() else { continue };
        let range = if channel.max.is_finite() { channel.max - channel.min } else { 1.0 };
        if (now - then).abs() > channel.tolerance.unwrap_or(SAME_PART * range) {
            differences.push(format!(
                "{} was {} and reads {}",
                channel.name,
                channel.show(then),
                channel.show(now)
            ));
            values.push((*id, then));
        }
    }
    values.sort_by_key(|(id, _)| bench.channel(*id).role == Some(Role::RfOutput));
    let last = match approach {
        Some(true) => kept_for_last(bench, history, &known, &mut values),
        _ => Vec::new(),
    };
    for difference in &differences {
        let text = format!("resume: {difference}; it is brought back");
        request(port, Request::Record(Statement::Note { text, for_next_shift: false }))?;
    }
    bring_back(port, approach, values)?;
    if let Some((recentre, spot)) =
        bench.recentre.zip(history.spot_on(bench)).filter(|_| approach == Some(true))
    {
        find_again(port, CentrePlan { search_m: 0.5 * recentre.search_m, ..spot })?;
    }
    if last.is_empty() { Ok(()) } else { bring_back(port, None, last) }
}

/// A sequence that stood without a bias or with its loop open can't have approached so, and no spot is found so: both are
/// brought back when the tip is in and on its spot. For the approach `values` gets the bias with which the sequence had
/// approached.
fn kept_for_last(
    bench: &Bench,
    history: &History,
    known: &BTreeMap<ChannelId, f64>,
    values: &mut Vec<(ChannelId, f64)>,
) -> Vec<(ChannelId, f64)> {
    let mut last = Vec::new();
    let feedback = bench.by_role(Role::Feedback).and_then(|id| Some((id, *known.get(&id)?)));
    if let Some((id, open)) = feedback.filter(|(_, value)| *value < 0.5) {
        values.retain(|(channel, _)| *channel != id);
        values.push((id, 1.0));
        last.push((id, open));
    }
    let bias = bench.by_role(Role::Bias).and_then(|id| Some((id, *known.get(&id)?)));
    if let Some((id, none)) = bias.filter(|(_, value)| is_no_bias(bench, *value)) {
        values.retain(|(channel, _)| *channel != id);
        values.extend(bias_to_approach_with(bench, history.left.approached_with).map(|lent| (id, lent)));
        last.push((id, none));
    }
    last
}

/// Brings channels and tip to where the sequence had left them.
fn bring_back(
    port: &mut dyn Port,
    approach: Option<bool>,
    values: Vec<(ChannelId, f64)>,
) -> Result<(), Ending> {
    let failed = match request(port, Request::Restore { approach, values })? {
        Answer::Number(0.0) => return Ok(()),
        Answer::Number(1.0) => "one step of the way back did not reach what it should".to_owned(),
        Answer::Number(failed) => format!("{failed} steps of the way back did not reach what they should"),
        other => return Err(fault(format!("the way back was answered with {other:?}"))),
    };
    let text = "the bench could not be brought back to where the sequence had left it";
    Err(fault(format!("{text}: {failed} (the record has each)")))
}

/// A tip that was out lands beside its spot: it is put back on it, or the run ends where it can do no harm.
fn find_again(port: &mut dyn Port, spot: CentrePlan) -> Result<(), Ending> {
    match request(port, Request::Recentre(spot))? {
        Answer::Centred(centred) if centred.found => {
            let body = serde_json::to_value(&centred).unwrap_or_default();
            let (what, title) = (JudgementKind::Recentre, centred.title());
            request(port, Request::Record(Statement::Judgement { what, sweep: None, title, body }))
                .map(|_| ())
        }
        Answer::Centred(centred) => {
            Err(fault(format!("the spot under the tip was not found again: {}", centred.remark)))
        }
        other => Err(fault(format!("the spot under the tip was not found again: {other:?}"))),
    }
}

fn request(port: &mut dyn Port, request: Request) -> Result<Answer, Ending> {
    let place = Place::default();
    port.request(Call { n: OWN_CALL, place, request }).map_err(|denial| match denial {
        Denial::Ended(ending) => ending,
        Denial::Instrument(error) => fault(error.to_string()),
        Denial::Forbidden(reason) => fault(reason),
    })
}

fn fault(reason: String) -> Ending {
    Ending {
        outcome: Outcome::Fault,
        reason: format!("resume: {reason}"),
        place: Place::default(),
        latched: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::builtin;
    use crate::instrument::TaskReport;
    use crate::quantity::TimePoint;
    use crate::record::{Entry, Failure, Reply};
    use std::sync::Arc;

    /// Whether the tip was to come in, and the values that were to be set.
    type Restored = (Option<bool>, Vec<(ChannelId, f64)>);

    /// A bench on which everything reads zero; what is asked to be brought back is noted.
    struct AllZero {
        failed: f64,
        restored: Vec<Restored>,
    }

    impl Port for AllZero {
        fn bench(&self) -> Arc<Bench> {
            Arc::new(builtin())
        }

        fn request(&mut self, call: Call) -> Reply {
            Ok(match call.request {
                Request::Read { channels, .. } => Answer::Numbers(vec![0.0; channels.len()]),
                Request::Restore { approach, values } => {
                    self.restored.push((approach, values));
                    Answer::Number(self.failed)
                }
                _ => Answer::Done,
            })
        }

        fn computed(&mut self, _operations: u64) -> Option<Ending> {
            None
        }

        fn seed(&self) -> u64 {
            0
        }
    }

    /// Approached with the first bias, then set to the others.
    fn cut_after(biases: &[f64]) -> History {
        let mut history = History::new(Some(&builtin()));
        let mut ended = |request: Request<String>, answer: Result<Answer, Failure>| {
            let entry = Entry::Call { n: 0, request, place: Place::default(), answer };
            history.entry(TimePoint::START, &entry);
        };
        for (i, value) in biases.iter().enumerate() {
            ended(Request::Set { channel: "bias".to_owned(), value: *value }, Ok(Answer::Done));
            if i == 0 {
                let report = TaskReport { achieved: true, ..TaskReport::default() };
                ended(Request::Task(Task::Approach), Ok(Answer::Task(report)));
            }
        }
        history
    }

    #[test]
    fn a_bias_of_zero_is_brought_back_after_an_approach_with_the_one_before() {
        let bias = builtin().by_role(Role::Bias).expect("a bias");
        for (biases, wanted) in [
            (&[0.06][..], vec![(Some(true), vec![(bias, 0.06)])]),
            (&[0.08, 0.0], vec![(Some(true), vec![(bias, 0.08)]), (None, vec![(bias, 0.0)])]),
            // Nobody knows with which: the one with which the bench is parked.
            (&[0.0, 0.0], vec![(Some(true), vec![(bias, 0.05)]), (None, vec![(bias, 0.0)])]),
        ] {
            let mut port = AllZero { failed: 0.0, restored: Vec::new() };
            restore(&mut port, &builtin(), &cut_after(biases), &Request::Settle).expect("it goes on");
            assert_eq!(port.restored, wanted, "{biases:?}");
        }
    }

    #[test]
    fn a_way_back_that_fails_is_told_in_words() {
        let mut port = AllZero { failed: 2.0, restored: Vec::new() };
        let ending =
            restore(&mut port, &builtin(), &cut_after(&[0.06]), &Request::Settle).expect_err("it fails");
        assert!(ending.reason.contains("2 steps of the way back did not reach"), "{}", ending.reason);
    }
}
