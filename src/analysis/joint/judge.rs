//! From spectra to a verdict.

use super::claim::claim;
use super::combs::Pattern;
use super::law::log_sum;
use super::locked::LockedTo;
use super::outcome::{Judgement, LookedAt, Suspect, Verdict, room};
use super::remembered::Remembered;
use super::scan::{FEWEST_FIELDS, Found, Scanned, field_numbers};
use super::segments::goes;
use super::spectra::{Prior, SpectrumAt, check, ready};
use super::tables::{Table, widths};
use super::tried::{Case, Tried};
use crate::analysis::order::middle;
use crate::analysis::realness::Unusable;

/// Part of the spectra that hold something strong which nothing explains, from which nothing is called absent, or, where
/// something stays in place, an artefact; and the score that is strong.
const UNEXPLAINED: (f64, f64) = (0.5, 0.15);
const STRONG: f64 = 9.0;
/// Log evidence below which nothing is suspected.
const NOTHING: f64 = 2.0;
/// Widest line that a "no" speaks of, Hz: of wider ones the background takes too much.
const WIDEST: f64 = 21e6;
/// Part of the spins that are taken for combs beforehand.
const COMBS: f64 = 0.2;
/// Most times that spectra are cut in two.
const MOST_CUTS: usize = 3;
/// Part of the laws looked at that may stay open in a "no".
const OPEN: f64 = 1e-3;

/// Judges all spectra, each tip state by itself, in the order of the tip numbers.
///
/// May be called after each new spectrum with all spectra so far, and the measurement stopped at the first proof.
///
/// # Errors
/// Refuses no spectra, unusable numbers, spectra of fewer than 12 points, signals that never change, and a
/// prior without room.
pub fn judge(spectra: &[SpectrumAt<'_>], prior: &Prior) -> Result<Vec<Judgement>, Unusable> {
    judge_again(spectra, prior, &mut Remembered::default())
}

/// The same to the last bit, quicker where most of the spectra were asked about before.
///
/// # Errors
/// As [`judge`].
pub fn judge_again(
    spectra: &[SpectrumAt<'_>],
    prior: &Prior,
    remembered: &mut Remembered,
) -> Result<Vec<Judgement>, Unusable> {
    remembered.begin();
    check(spectra)?;
    prior.check()?;
    let mut tips: Vec<u32> = spectra.iter().map(|s| s.tip).collect();
    tips.sort_unstable();
    tips.dedup();
    let of = |tip: u32| spectra.iter().filter(|s| s.tip == tip).collect::<Vec<_>>();
    let mut all = Vec::new();
    for tip in tips {
        let mut given = of(tip);
        given.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        let mut states = one_tip(tip, &given, prior, (MOST_CUTS, remembered))?;
        let last = states.len() - 1;
        for (i, said) in states.iter_mut().enumerate() {
            said.segment = i;
            if i > 0 {
                said.reasons.push(
                    "Before them the line was elsewhere or another one: the tip had changed.".to_owned(),
                );
            }
            if i < last {
                said.reasons.push("After them the line is gone or elsewhere: the tip had changed, and what follows is judged by itself.".to_owned());
            }
        }
        all.append(&mut states);
    }
    Ok(all)
}

/// Spectra in the order of time, cut where the tip has changed, at most so many times over.
fn one_tip(
    tip: u32,
    given: &[&SpectrumAt<'_>],
    prior: &Prior,
    (cuts, remembered): (usize, &mut Remembered),
) -> Result<Vec<Judgement>, Unusable> {
    let (whole, changes_s) = one_segment(tip, given, prior, remembered)?;
    let Some(at) = changes_s.filter(|_| cuts > 0) else { return Ok(vec![whole]) };
    let (before, after) = given.split_at(given.partition_point(|s| s.start_s < at));
    if before.is_empty() || after.is_empty() {
        return Ok(vec![whole]);
    }
    // A part in which nothing changes at all can't be judged: then nothing is cut.
    let parts = [before, after].map(|part| one_tip(tip, part, prior, (cuts - 1, &mut *remembered)));
    let [Ok(mut first), Ok(second)] = parts else { return Ok(vec![whole]) };
    first.extend(second);
    Ok(if first.iter().any(|said| said.law.is_some()) { first } else { vec![whole] })
}

/// The judgement, and when a change of the tip is suspected.
fn one_segment(
    tip: u32,
    given: &[&SpectrumAt<'_>],
    prior: &Prior,
    remembered: &mut Remembered,
) -> Result<(Judgement, Option<f64>), Unusable> {
    let (spectra, bases) = ready(given, remembered);
    let (numbers, fields) = field_numbers(&spectra);
    let mut said = Judgement { tip, fields, ..Judgement::open(prior) };
    said.spectra = given.len();
    said.from_s = given.first().map_or(0.0, |s| s.start_s);
    said.to_s = given.last().map_or(0.0, |s| s.start_s);
    if spectra.is_empty() {
        return Err(Unusable::Constant { what: "signals" });
    }
    let case = Case { spectra: &spectra, bases: &bases, prior, numbers: &numbers, fields };
    let tried: Vec<Tried> =
        widths(&spectra).into_iter().map(|w| case.at_frequencies(w, Pattern::ONE, remembered)).collect();
    let combs = case.combs(&tried, remembered);
    let mut changes_s = take(&case, &tried, &combs, &mut said);
    if said.verdict != Verdict::Undecided {
        return Ok((said, changes_s));
    }
    // What stays in the windows or in the sweeps is masked as well, which costs the laws that run along with it.
    let masked: Vec<Tried> = tried.iter().filter_map(|t| case.in_windows(t)).collect();
    if !masked.is_empty() {
        changes_s = take(&case, &masked, &[], &mut said);
    }
    Ok((said, changes_s))
}

/// Says what follows from all widths, and when the tip seems to have changed.
fn take(case: &Case<'_>, tried: &[Tried], combs: &[Tried], said: &mut Judgement) -> Option<f64> {
    said.reasons.clear();
    said.next = None;
    let of = |tried: &[Tried]| log_mean(&tried.iter().map(|t| t.scanned.log_e).collect::<Vec<_>>());
    let (single, comb) = (of(tried), of(combs));
    // Weights that are fixed beforehand; a comb that was not asked about counts for nothing.
    said.log_e = log_sum([(1.0 - COMBS).ln() + single, COMBS.ln() + comb]);
    let sigma = middle(case.spectra.iter().map(|s| s.sigma).collect());
    said.looked_at = looked_at(tried, case.prior.height * sigma);
    let unexplained = unexplained(tried);
    let most = tried.iter().max_by_key(|t| t.locked.len());
    said.locked = most.map_or_else(Vec::new, |t| t.locked.clone());
    let suspects = tried.iter().chain(combs).filter_map(|t| t.scanned.suspect.map(|s| (t, s)));
    let suspect = suspects.max_by(|a, b| a.1.likelihood.total_cmp(&b.1.likelihood));
    said.suspect = suspect.map(|(t, s)| Suspect {
        slope_hz_per_t: s.slope,
        tip_field_t: s.tip_t,
        room_hz: room(t.tables.pattern.lines, t.tables.pattern.spacing),
        log_e: s.log_e,
    });
    if said.log_e < said.log_e_wanted {
        decide_against(case, said, unexplained);
        let (t, found) = suspect?;
        let law = |b: f64| (found.slope * (b + found.tip_t)).abs();
        return goes(case.spectra, &t.tables, found, &case.showing(t, law, 0));
    }
    // A comb first, where it is proved by itself: one of its lines alone would be half of the truth.
    let alone = best(tried).filter(|_| single + (1.0 - COMBS).ln() >= said.log_e_wanted);
    if comb + COMBS.ln() >= said.log_e_wanted {
        let (t, found) = best(combs)?;
        let changes_s = claim(case, t, found, said);
        // Where a line alone is no proof, what is said of the comb is why there is none.
        if said.law.is_some() || said.verdict != Verdict::Undecided || alone.is_none() {
            return changes_s;
        }
        said.reasons.clear();
    }
    if let Some((t, found)) = alone {
        return claim(case, t, found, said);
    }
    decide_against(case, said, unexplained);
    None
}

/// The best law of all widths.
fn best(tried: &[Tried]) -> Option<(&Tried, Found)> {
    let each = tried.iter().filter_map(|t| t.scanned.best.map(|b| (t, b)));
    each.max_by(|a, b| a.1.log_e.total_cmp(&b.1.log_e))
}

/// Of nothing it is that of zero.
fn log_mean(v: &[f64]) -> f64 {
    log_sum(v.iter().copied()) - (v.len().max(1) as f64).ln()
}

fn looked_at(tried: &[Tried], height: f64) -> LookedAt {
    let part = |of: fn(&Scanned) -> usize, to: fn(&Scanned) -> usize| {
        let narrow = tried.iter().filter(|t| t.tables.width <= WIDEST || tried.len() == 1);
        let each = narrow.map(|t| of(&t.scanned) as f64 / (to(&t.scanned).max(1)) as f64);
        each.fold(0.0, f64::max)
    };
    let looked = part(|s| s.looked_at, |s| s.laws);
    let open = if looked > 0.0 { part(|s| s.open, |s| s.looked_at) } else { 1.0 };
    let g = tried.iter().filter_map(|t| t.scanned.g).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    LookedAt { part: looked, open, g_from: g.map(|g| g.0), g_to: g.map(|g| g.1), height }
}

/// Part of the spectra with something strong in them that does not stay in place, at the width at which most have it.
fn unexplained(tried: &[Tried]) -> f64 {
    let strong = |t: &&Table| t.score.iter().zip(&t.masked).any(|(score, masked)| !masked && *score > STRONG);
    let of = |t: &Tried| t.tables.all.iter().filter(strong).count() as f64 / t.tables.all.len().max(1) as f64;
    tried.iter().map(of).fold(0.0, f64::max)
}

/// What is said where no law is proved.
fn decide_against(case: &Case<'_>, said: &mut Judgement, unexplained: f64) {
    let looked = said.looked_at;
    let sideways = said.locked.iter().filter(|l| l.to != LockedTo::Frequency).count();
    let most = if said.locked.is_empty() { UNEXPLAINED.0 } else { UNEXPLAINED.1 };
    let nothing_left = unexplained < most;
    if nothing_left && looked.part > 0.0 && looked.open <= OPEN && said.log_e < NOTHING {
        let g = match (looked.g_from, looked.g_to) {
            (Some(a), Some(b)) => format!(" for g from {a:.2} to {b:.2}"),
            _ => String::new(),
        };
        said.verdict = if said.locked.is_empty() { Verdict::Absent } else { Verdict::Artefact };
        said.reasons.push(format!(
            "Along none of the laws that {} spectra at {} fields can show{g} lies a line {:.2e} high, which is {} times the noise of a point.",
            said.spectra, said.fields, looked.height, case.prior.height
        ));
    } else if case.fields < FEWEST_FIELDS {
        said.reasons.push(format!(
            "{} different fields are too few: two fit any law, a third may by chance.",
            case.fields
        ));
        said.next = Some(match FEWEST_FIELDS - case.fields {
            1 => "a spectrum at one more field".to_owned(),
            more => format!("spectra at {more} more fields, in irregular steps"),
        });
    } else if looked.part == 0.0 && said.suspect.is_none() {
        said.reasons
            .push("A line of the height asked for would stand out along no law of a moment.".to_owned());
        said.next =
            Some("windows that hold the line of one moment at each field, or longer averaging".to_owned());
    } else {
        said.reasons.push(format!(
            "The evidence for a line that moves with the field is e^{:.1}; a proof needs e^{:.1}.",
            said.log_e, said.log_e_wanted
        ));
        said.next = Some(if looked.part == 0.0 && said.log_e < NOTHING {
            format!(
                "longer averaging or more spectra: a line {} times as high as the noise of a point would not stand out from these yet; or a larger `height`, if higher lines are what is asked for",
                case.prior.height
            )
        } else if sideways > 0 {
            "windows that lie otherwise at each field: in these something stays at one place of the window or of the sweep".to_owned()
        } else {
            "more spectra at other fields, in irregular steps, with some windows where the line is elsewhere"
                .to_owned()
        });
    }
    said.tell_of_locked();
}
