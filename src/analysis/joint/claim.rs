//! From a law that the evidence has singled out to a claim, or to why there is none.

use super::centres::{Centre, Shape, across_other_gaps, centres, inside};
use super::combs::Pattern;
use super::law::{Line, Straight, TOGETHER, straight};
use super::outcome::{Judgement, LawPoint, Multiplet, ProvedLaw, Verdict};
use super::scan::{FEWEST_FIELDS, Found};
use super::segments::{goes, steps};
use super::spectra::Ready;
use super::tables::{Group, PLACES_PER_WIDTH};
use super::tried::{Case, SHOWS, Tried};
use crate::analysis::order::middle;
use crate::analysis::realness::MU_B_PER_H_HZ_PER_T;
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
/// Errors by which a tip field has to lie outside of what is possible.
const OUTSIDE: f64 = 1.0;
/// Part of the spectra with the line inside that must show it.
const MOST_SHOW: f64 = 0.6;
/// Log likelihood by which the law has to beat a place in the window or in the sweep.
const BEATS: f64 = 8.0;
/// Part of the shift of a comb in second order that is there, with its standard deviation, which is as large: how strong the
/// coupling is across the field no line tells; where it is as strong as along it, all of the shift is.
const ACROSS: f64 = 0.5;

/// Checks what evidence alone does not tell, and reads off the law; says when the tip seems to have changed.
pub(super) fn claim(case: &Case<'_>, t: &Tried, found: Found, said: &mut Judgement) -> Option<f64> {
    let changes_s = read_off(case, t, found, said);
    said.tell_of_locked();
    changes_s
}

fn read_off(case: &Case<'_>, t: &Tried, found: Found, said: &mut Judgement) -> Option<f64> {
    let law = |b: f64| (found.slope * (b + found.tip_t)).abs();
    // Of all fields whose windows hold the law, most have to show it.
    let held: Vec<(&Group, usize)> =
        t.groups.iter().filter_map(|g| g.index(law(g.field_t)).map(|i| (g, i))).collect();
    let at_fields = held.iter().filter(|(g, i)| g.log_e[*i] > SHOWS).count();
    let showing = case.showing(t, law, 0);
    let places = inside(case.spectra, &t.tables, law);
    // Where a law bends, the line is there and not on it, and to leave it out would be to look only at what fits.
    let near = case.showing(t, law, PLACES_PER_WIDTH as i32);
    let shown: Vec<(usize, f64)> = places.iter().filter(|(k, _)| near.contains(k)).copied().collect();
    let (shape, mut seen) = centres(&t.spectra, case.bases, &shown, (t.tables.width, t.tables.pattern));
    let wrong = wrong(case, &seen, at_fields, held.len());
    let goes = goes(case.spectra, &t.tables, found, &showing);
    let aligned = found.slope * case.prior.alignment_shift_t;
    seen.extend(across_other_gaps(&t.spectra, case.bases, shape, (law, aligned), &seen));
    let line = if wrong.is_none() { line_through(case, &seen, shape) } else { None };
    let Some((line, steps)) = line else {
        let why = wrong.unwrap_or_else(|| "its centres give no law".to_owned());
        said.reasons.push(format!("Something moves with the field, but {why}."));
        said.next = Some("more spectra at other fields".to_owned());
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
        return goes.or(steps);
    }
    if let Some(why) = may_bend(case, &seen, &line, shape) {
        said.reasons.push(format!(
            "A line moves with the field, but {why}: a straight law is not claimed before that is settled."
        ));
        said.next = Some("spectra at other fields, over as wide a range as may be".to_owned());
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
    goes.or(steps)
}

/// What speaks against centres of which so many fields show the line, of so many that should.
fn wrong(case: &Case<'_>, seen: &[Centre], at_fields: usize, held: usize) -> Option<String> {
    if at_fields < FEWEST_FIELDS || seen.len() < FEWEST_FIELDS {
        Some(format!("it shows at {at_fields} fields only"))
    } else if (at_fields as f64) < MOST_SHOW * held as f64 {
        Some(format!("it shows at {at_fields} of the {held} fields that should show it"))
    } else if !alike(seen) {
        Some("what aligns differs in sign or height from spectrum to spectrum".to_owned())
    } else {
        runs_along(case, seen)
    }
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
fn line_through(case: &Case<'_>, seen: &[Centre], shape: Shape) -> Option<(Straight, Option<f64>)> {
    let mut law = straight(&Numbers::new(case, seen, shape).line())?;
    // A centre across another gap lies elsewhere though the tip is the same: it tells how large the slope is, and nothing of
    // whether the law is straight.
    let usual: Vec<Centre> = seen.iter().filter(|c| !case.spectra[c.index].beside()).copied().collect();
    let numbers = Numbers::new(case, &usual, shape);
    if usual.len() < seen.len() {
        let plain = straight(&numbers.line())?;
        (law.curved, law.crossing, law.wander) = (plain.curved, plain.crossing, plain.wander);
    }
    Some((law, steps(case.spectra, &usual, &numbers.line())))
}

/// What a law goes through.
struct Numbers {
    fields: Vec<f64>,
    times: Vec<f64>,
    centres: Vec<f64>,
    errors: Vec<f64>,
    common: Vec<[f64; TOGETHER]>,
    setpoints: Vec<f64>,
    raises: bool,
    aligned: f64,
}

impl Numbers {
    fn new(case: &Case<'_>, seen: &[Centre], shape: Shape) -> Self {
        let pattern = shape.pattern;
        let fields: Vec<f64> = seen.iter().map(|c| case.spectra[c.index].field_t.abs()).collect();
        let centres: Vec<f64> = seen.iter().map(|c| c.f - ACROSS * pattern.second_order(c.f)).collect();
        // A field that was read has an error, which moves the centre for what the law says about it.
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let slope = mean(&centres) / mean(&fields).max(1e-6);
        let read = slope * case.prior.field_error_t;
        let shifted = |c: &Centre| {
            let [width, asymmetry, spacing] = c.common;
            [width, asymmetry, spacing, ACROSS * pattern.second_order(c.f)]
        };
        Numbers {
            times: seen.iter().map(|c| case.spectra[c.index].start_s).collect(),
            errors: seen.iter().map(|c| c.error.hypot(read)).collect(),
            common: seen.iter().map(shifted).collect(),
            aligned: slope * case.prior.alignment_shift_t,
            fields,
            centres,
            setpoints: seen.iter().map(|c| case.spectra[c.index].log_setpoint).collect(),
            raises: shape.sign > 0.0,
        }
    }

    fn line(&self) -> Line<'_> {
        Line {
            fields: &self.fields,
            times: &self.times,
            centres: &self.centres,
            errors: &self.errors,
            common: &self.common,
            setpoints: &self.setpoints,
            raises: self.raises,
            aligned: self.aligned,
        }
    }
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
