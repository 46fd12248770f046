//! From spectra to a verdict.

use super::centres::{Centre, Shape, centres, inside};
use super::clean::Bases;
use super::combs::{Pattern, patterns};
use super::law::{Line, Straight, TOGETHER, log_sum, straight};
use super::locked::{Locked, LockedTo, mask_locked};
use super::outcome::{Judgement, LawPoint, LookedAt, Multiplet, ProvedLaw, Suspect, Verdict, room};
use super::remembered::Remembered;
use super::scan::{FEWEST_FIELDS, Found, Scanned, field_numbers, scan};
use super::segments::{goes, steps};
use super::spectra::{Prior, Ready, SpectrumAt, check, ready};
use super::tables::{Group, Table, Tables, groups, tables, widths};
use super::taken_out::without;
use crate::analysis::order::middle;
use crate::analysis::realness::{MU_B_PER_H_HZ_PER_T, Unusable};
use crate::quantity::rounded;

/// Curvature in units of its error beyond which a law is not straight.
const CURVED: f64 = 4.0;
/// The same beyond which a bend stays open, while the line was seen at fewer than so many fields and from then on: straight
/// lines get there in one of twenty, and in one of eighty.
const MAY_BEND: (f64, f64) = (2.0, 2.5);
const FIELDS_FOR_BEND: usize = 8;
/// Errors by which levels that avoid each other would bend, from which on they have to be excluded, and the log likelihood
/// that does: one of two hundred gets there.
const CROSSING: (f64, f64) = (2.0, 5.3);
/// Different fields below which a bend can't be told from a wander at all.
const FEWEST_FOR_BEND: usize = 5;
/// Wander in widths of the line beyond which centres follow no law that is worth a number.
const ASTRAY: f64 = 0.5;
/// Part of the spectra that hold something strong which nothing explains, from which nothing is called absent, or, where
/// something stays in place, an artefact; and the score that is strong.
const UNEXPLAINED: (f64, f64) = (0.5, 0.15);
const STRONG: f64 = 9.0;
/// Errors by which a tip field has to lie outside of what is possible.
const OUTSIDE: f64 = 1.0;
/// Part of the spectra with the line inside that must show it.
const MOST_SHOW: f64 = 0.6;
/// Log e-value from which a field shows the line.
const SHOWS: f64 = 0.7;
/// Log likelihood by which the law has to beat a place in the window or in the sweep.
const BEATS: f64 = 8.0;
/// Log evidence below which nothing is suspected.
const NOTHING: f64 = 2.0;
/// Widest line that a "no" speaks of, Hz: of wider ones the background takes too much.
const WIDEST: f64 = 21e6;
/// Part of the spins that are taken for combs beforehand.
const COMBS: f64 = 0.2;
/// Part of the shift of a comb in second order that is there, with its standard deviation, which is as large: how strong the
/// coupling is across the field no line tells; where it is as strong as along it, all of the shift is.
const ACROSS: f64 = 0.5;
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

/// One width with all that was found at it.
struct Tried {
    /// The spectra, without what stays at a frequency.
    spectra: Vec<Ready>,
    tables: Tables,
    groups: Vec<Group>,
    locked: Vec<Locked>,
    scanned: Scanned,
}

struct Case<'a> {
    spectra: &'a [Ready],
    bases: &'a Bases,
    prior: &'a Prior,
    /// Number of the field of each spectrum.
    numbers: &'a [usize],
    fields: usize,
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
    let wanted = (1.0 / prior.alpha).ln();
    let (numbers, fields) = field_numbers(&spectra);
    let mut said = Judgement {
        tip,
        segment: 0,
        from_s: given.first().map_or(0.0, |s| s.start_s),
        to_s: given.last().map_or(0.0, |s| s.start_s),
        spectra: given.len(),
        fields,
        verdict: Verdict::Undecided,
        log_e: 0.0,
        log_e_wanted: wanted,
        law: None,
        suspect: None,
        points: Vec::new(),
        multiplet: None,
        locked: Vec::new(),
        looked_at: LookedAt { part: 0.0, open: 1.0, g_from: None, g_to: None, height: 0.0 },
        reasons: Vec::new(),
        next: None,
    };
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

impl Case<'_> {
    /// All laws at one width, what stays at a frequency masked.
    fn at_frequencies(&self, width: f64, pattern: Pattern, remembered: &mut Remembered) -> Tried {
        let mut tables = tables(self.spectra, self.bases, width, pattern, remembered);
        let locked = mask_locked(self.spectra, &mut tables, self.prior, &[LockedTo::Frequency]);
        // A comb that stays is masked alone: its lines are no single ones.
        if locked.is_empty() || pattern != Pattern::ONE {
            return self.scanned(self.spectra.to_vec(), tables, locked);
        }
        let spectra = without(self.spectra, self.bases, (&locked, width), remembered);
        let masks = std::mem::replace(
            &mut tables,
            super::tables::tables(&spectra, self.bases, width, pattern, remembered),
        );
        for (table, mask) in tables.all.iter_mut().zip(masks.all) {
            table.masked = mask.masked;
        }
        self.scanned(spectra, tables, locked)
    }

    /// The same for the combs that the spectra may hold.
    fn combs(&self, tried: &[Tried], remembered: &mut Remembered) -> Vec<Tried> {
        let all: Vec<&Tables> = tried.iter().map(|t| &t.tables).collect();
        let asked = patterns(self.spectra, self.bases, &all, remembered).into_iter();
        asked.map(|(number, pattern)| self.at_frequencies(all[number].width, pattern, remembered)).collect()
    }

    fn in_windows(&self, tried: &Tried) -> Option<Tried> {
        let mut tables = tried.tables.clone();
        let more = mask_locked(&tried.spectra, &mut tables, self.prior, &[LockedTo::Window, LockedTo::Sweep]);
        let locked = tried.locked.iter().chain(&more).copied().collect();
        (!more.is_empty()).then(|| self.scanned(tried.spectra.clone(), tables, locked))
    }

    /// Spectra whose field shows something where a law has it.
    fn showing(&self, t: &Tried, law: impl Fn(f64) -> f64) -> Vec<usize> {
        let shows = |k: &usize| {
            let g = &t.groups[self.numbers[*k]];
            g.index(law(g.field_t)).is_some_and(|i| g.log_e[i] > SHOWS)
        };
        (0..self.spectra.len()).filter(shows).collect()
    }

    /// The same, or up to a width beside it: where a law bends, the line is there and not on it, and to leave it out would be
    /// to look only at what fits.
    fn showing_near(&self, t: &Tried, law: impl Fn(f64) -> f64) -> Vec<usize> {
        let shows = |k: &usize| {
            let g = &t.groups[self.numbers[*k]];
            let beside = |part: i32| law(g.field_t) + t.tables.width * 0.2 * f64::from(part);
            (-5..=5).filter_map(|part| g.index(beside(part))).any(|i| g.log_e[i] > SHOWS)
        };
        (0..self.spectra.len()).filter(shows).collect()
    }

    fn scanned(&self, spectra: Vec<Ready>, tables: Tables, locked: Vec<Locked>) -> Tried {
        let groups = groups(&spectra, &tables, self.numbers, self.fields);
        let slopes = (self.prior.g_from * MU_B_PER_H_HZ_PER_T, self.prior.g_to * MU_B_PER_H_HZ_PER_T);
        let scanned = scan(&groups, tables.width, slopes, self.prior);
        Tried { spectra, tables, groups, locked, scanned }
    }
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
        return goes(case.spectra, &t.tables, found, &case.showing(t, law));
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
    told_of_locked(said);
}

fn told_of_locked(said: &mut Judgement) {
    for l in &said.locked {
        let what = match l.to {
            LockedTo::Frequency => format!("stays at {:.4} GHz at every field", l.at * 1e-9),
            LockedTo::Window => format!("stays at {:.0} % of every window", 100.0 * l.at),
            LockedTo::Sweep => format!("comes {:.0} % after the beginning of every sweep", 100.0 * l.at),
        };
        said.reasons.push(format!("A feature {what}, in {} spectra.", l.shows_in));
    }
}

/// Checks what evidence alone does not tell, and reads off the law.
fn claim(case: &Case<'_>, t: &Tried, found: Found, said: &mut Judgement) -> Option<f64> {
    let law = |b: f64| (found.slope * (b + found.tip_t)).abs();
    // Of all fields whose windows hold the law, most have to show it.
    let held: Vec<(&Group, usize)> =
        t.groups.iter().filter_map(|g| g.index(law(g.field_t)).map(|i| (g, i))).collect();
    let at_fields = held.iter().filter(|(g, i)| g.log_e[*i] > SHOWS).count();
    let showing = case.showing(t, law);
    let places = inside(case.spectra, &t.tables, law);
    let near = case.showing_near(t, law);
    let shown: Vec<(usize, f64)> = places.iter().filter(|(k, _)| near.contains(k)).copied().collect();
    let (shape, seen) = centres(&t.spectra, case.bases, &shown, (t.tables.width, t.tables.pattern));
    let wrong = if at_fields < FEWEST_FIELDS || seen.len() < FEWEST_FIELDS {
        Some(format!("it shows at {at_fields} fields only"))
    } else if (at_fields as f64) < MOST_SHOW * held.len() as f64 {
        Some(format!("it shows at {at_fields} of the {} fields that should show it", held.len()))
    } else if !alike(&seen) {
        Some("what aligns differs in sign or height from spectrum to spectrum".to_owned())
    } else {
        runs_along(case, &seen)
    };
    let goes = goes(case.spectra, &t.tables, found, &showing);
    let line = if wrong.is_none() { line_through(case, &seen, shape.pattern) } else { None };
    let Some((line, steps)) = line else {
        let why = wrong.unwrap_or_else(|| "its centres give no law".to_owned());
        said.reasons.push(format!("Something moves with the field, but {why}."));
        said.next = Some("more spectra at other fields".to_owned());
        told_of_locked(said);
        return goes;
    };
    let points = seen.iter().map(|c| LawPoint {
        field_t: case.spectra[c.index].field_t,
        centre_hz: c.f,
        error_hz: c.error,
    });
    said.points = points.collect();
    if line.curved.abs() > CURVED {
        said.verdict = Verdict::Curved;
        said.reasons.push(format!("A line moves with the field, but its centres bend by {:.1} errors: no moment can be read off a straight law. A splitting without field or a second spin does this.", line.curved.abs()));
        told_of_locked(said);
        return goes.or(steps);
    }
    if let Some(why) = may_bend(case, &seen, &line, shape) {
        said.reasons.push(format!(
            "A line moves with the field, but {why}: a straight law is not claimed before that is settled."
        ));
        said.next = Some("spectra at other fields, over as wide a range as may be".to_owned());
        told_of_locked(said);
        return goes.or(steps);
    }
    let law = proved_law(case, shape, &seen, &line);
    if law.tip_field_t.abs() - OUTSIDE * law.tip_field_error > case.prior.tip_field_t {
        said.verdict = Verdict::Splitting;
        said.reasons.push(format!(
            "A line moves in proportion to the field, but its tip field would be {} mT, more than the {} mT that the tip may have: levels that are apart by {} GHz without field do this.",
            rounded(1e3 * law.tip_field_t, 1e3 * law.tip_field_error),
            1e3 * case.prior.tip_field_t,
            rounded(1e-9 * line.slope * law.tip_field_t, 1e-9 * line.slope * law.tip_field_error)
        ));
        told_of_locked(said);
        return goes.or(steps);
    }
    said.verdict = Verdict::Real;
    said.multiplet = multiplet(shape);
    said.reasons.push(format!(
        "A line moves with the field over {at_fields} fields and {} spectra: moment {} μB, tip field {} mT. The chance that spectra which know nothing of the field ever align so well is below e^-{:.0}.",
        shown.len(), rounded(law.moment_mu_b, law.moment_error), rounded(1e3 * law.tip_field_t, 1e3 * law.tip_field_error), said.log_e
    ));
    if let Some(other) = shape.other_lines {
        said.reasons.push(format!(
            "How many lines share the moment is not settled, it may be {other}: the error of the tip field knows of it."
        ));
    }
    said.law = Some(law);
    told_of_locked(said);
    goes.or(steps)
}

/// Why a straight law is not settled yet, though the line moves.
fn may_bend(case: &Case<'_>, seen: &[Centre], line: &Straight, shape: Shape) -> Option<String> {
    let mut fields: Vec<usize> = seen.iter().map(|c| case.numbers[c.index]).collect();
    fields.sort_unstable();
    fields.dedup();
    let most = if fields.len() < FIELDS_FOR_BEND { MAY_BEND.0 } else { MAY_BEND.1 };
    if fields.len() < FEWEST_FOR_BEND {
        Some(format!("its centre is known at {} fields, too few to tell whether it bends", fields.len()))
    } else if line.curved.abs() > most {
        Some(format!("its centres may bend, by {:.1} errors so far", line.curved.abs()))
    } else if line.crossing.told > CROSSING.0 && line.crossing.ahead < CROSSING.1 {
        Some("its centres would lie nearly as well along levels that avoid each other".to_owned())
    } else if line.wander > ASTRAY * shape.width {
        let (off, width) = (1e-6 * line.wander, 1e-6 * shape.width);
        Some(format!("its centres lie {off:.1} MHz off the law, much for a line {width:.1} MHz wide"))
    } else {
        None
    }
}

/// Whether heights agree well enough in sign and size to be those of one line.
fn alike(seen: &[Centre]) -> bool {
    if seen.is_empty() {
        return false;
    }
    let typical = middle(seen.iter().map(|c| c.height).collect());
    let near = |c: &&Centre| {
        let slack = 3.0 * c.height_error;
        c.height + slack > 0.4 * typical && c.height - slack < 2.5 * typical
    };
    typical > 0.0 && seen.iter().filter(near).count() * 5 >= seen.len() * 4
}

/// What centres do that are no resonance, and where a centre lies by it.
type Rival = (&'static str, fn(&Ready, f64) -> f64);

/// Whether the centres lie as well at one place of the window, or at one time of the sweep, as along the law.
fn runs_along(case: &Case<'_>, seen: &[Centre]) -> Option<String> {
    let n = seen.len() as f64;
    let own = middle(seen.iter().map(|c| c.error).collect());
    // The scatter about a rival is not known beforehand: its likelihood falls with the power n of it.
    let scatter = |offsets: &[f64], taken: f64| {
        let mean = offsets.iter().sum::<f64>() / n;
        let sum: f64 = offsets.iter().map(|o| (o - mean).powi(2)).sum();
        (sum / (n - taken).max(1.0)).sqrt().hypot(own)
    };
    let fields: Vec<f64> = seen.iter().map(|c| case.spectra[c.index].field_t.abs()).collect();
    let mean_b = fields.iter().sum::<f64>() / n;
    let mean_f = seen.iter().map(|c| c.f).sum::<f64>() / n;
    let sxx: f64 = fields.iter().map(|b| (b - mean_b).powi(2)).sum();
    let slope = seen.iter().zip(&fields).map(|(c, b)| (b - mean_b) * (c.f - mean_f)).sum::<f64>() / sxx;
    let about_law: Vec<f64> = seen.iter().zip(&fields).map(|(c, b)| c.f - slope * b).collect();
    let law = scatter(&about_law, 2.0);
    let rivals: [Rival; 3] = [
        ("stays at one place of every window", |s, f| f - 0.5 * (s.window.0 + s.window.1)),
        ("comes at one time of every sweep", |s, f| {
            let off = f - 0.5 * (s.window.0 + s.window.1);
            if s.upward { off } else { -off }
        }),
        ("stays at one frequency", |_, f| f),
    ];
    let as_well = |(_, place): &&Rival| {
        let offsets: Vec<f64> = seen.iter().map(|c| place(&case.spectra[c.index], c.f)).collect();
        n * (scatter(&offsets, 1.0) / law).ln() < BEATS
    };
    rivals.iter().find(as_well).map(|(what, _)| format!("it also {what}"))
}

/// The law through centres, and when they step.
fn line_through(case: &Case<'_>, seen: &[Centre], pattern: Pattern) -> Option<(Straight, Option<f64>)> {
    let fields: Vec<f64> = seen.iter().map(|c| case.spectra[c.index].field_t.abs()).collect();
    let times: Vec<f64> = seen.iter().map(|c| case.spectra[c.index].start_s).collect();
    let f: Vec<f64> = seen.iter().map(|c| c.f - ACROSS * pattern.second_order(c.f)).collect();
    // A field that was read has an error, which moves the centre for what the law says about it.
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let slope = mean(&f) / mean(&fields).max(1e-6);
    let read = slope * case.prior.field_error_t;
    let errors: Vec<f64> = seen.iter().map(|c| c.error.hypot(read)).collect();
    let shifted = |c: &Centre| {
        let [width, asymmetry, spacing] = c.common;
        [width, asymmetry, spacing, ACROSS * pattern.second_order(c.f)]
    };
    let common: Vec<[f64; TOGETHER]> = seen.iter().map(shifted).collect();
    let aligned = slope * case.prior.alignment_shift_t;
    let line =
        Line { fields: &fields, times: &times, centres: &f, errors: &errors, common: &common, aligned };
    Some((straight(&line)?, steps(case.spectra, seen, &line)))
}

fn multiplet(shape: Shape) -> Option<Multiplet> {
    let Pattern { lines, spacing } = shape.pattern;
    (lines > 1).then(|| Multiplet {
        lines,
        spacing_hz: Some(spacing),
        spacing_error_hz: Some(shape.spacing_error),
        offsets_hz: (0..lines).map(|j| spacing * j as f64).collect(),
    })
}

fn proved_law(case: &Case<'_>, shape: Shape, seen: &[Centre], line: &Straight) -> ProvedLaw {
    let sigma = middle(case.spectra.iter().map(|s| s.sigma).collect());
    let per_moment = 2.0 * MU_B_PER_H_HZ_PER_T;
    let (moment, moment_error) = (line.slope / per_moment, line.slope_variance.sqrt() / per_moment);
    // B_tip = f̄/s − B̄.
    let ratio = line.middle / line.slope;
    let variance = line.middle_variance + shape.middle_error.powi(2) - 2.0 * ratio * line.covariance
        + ratio * ratio * line.slope_variance;
    let weights: Vec<f64> = seen.iter().map(|c| c.height_error.powi(-2)).collect();
    let total: f64 = weights.iter().sum();
    let height = seen.iter().zip(&weights).map(|(c, w)| c.height * w).sum::<f64>() / total;
    ProvedLaw {
        moment_mu_b: moment,
        moment_error,
        g: 2.0 * moment,
        g_error: 2.0 * moment_error,
        tip_field_t: ratio - line.mean_field,
        tip_field_error: variance.max(0.0).sqrt() / line.slope,
        slope_hz_per_t: line.slope,
        slope_error: line.slope_variance.sqrt(),
        wander_hz: line.wander,
        width_hz: shape.width,
        asymmetry: shape.asymmetry,
        height: shape.sign * height * sigma,
        height_error: sigma / total.sqrt(),
        spectra: seen.len(),
        mean_field_t: line.mean_field,
        mean_variance_hz2: line.middle_variance,
        covariance: line.covariance,
    }
}
