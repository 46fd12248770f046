//! The pictures of the live page, for a wide and for a narrow window.

use super::follow::{Follower, Shown};
use crate::bench::{Bench, Role};
use crate::quantity::Unit;
use crate::report::account::Account;
use crate::report::figure::{Chart, Drawing, Mark};
use crate::report::plot;
use crate::report::pursuit::Pursuit;

/// A picture in one of the two sizes.
pub struct Drawn {
    /// Its name, which is also its place on the page.
    pub name: String,
    /// The heading above it.
    pub title: String,
    /// For wide windows.
    pub wide: String,
    /// For narrow ones.
    pub narrow: String,
}

/// Large pictures, wide and narrow.
const LARGE: [(f64, f64); 2] = [(640.0, 320.0), (346.0, 260.0)];
/// Small ones.
const SMALL: [(f64, f64); 2] = [(420.0, 180.0), (346.0, 170.0)];

/// All pictures for which there is something to show.
pub fn pictures(follower: &Follower, campaign: Option<&Pursuit>) -> Vec<Drawn> {
    let account = follower.account();
    let mut drawn = Vec::new();
    if let Some(present) = &follower.present {
        let title = if present.outline.ended { "Last sweep" } else { "Current sweep" };
        drawn.push(both("present", title, LARGE, |size| sweep(account, present, size)));
    }
    let fitted = follower.fitted.as_ref();
    let shown = follower.present.as_ref().map(|p| p.outline.table.sweep);
    if let Some(fitted) = fitted.filter(|f| Some(f.outline.table.sweep) != shown) {
        drawn.push(both("fitted", "Last sweep with a fit", LARGE, |size| sweep(account, fitted, size)));
    }
    let sizes = LARGE.map(|(w, h)| (w, h + 40.0));
    if plot::resonance(account, LARGE[0]).is_ok() {
        drawn.push(both("resonance", "Resonance against field", sizes, |size| {
            plot::resonance(account, size).unwrap_or_else(|_| Drawing::new(size.0, size.1, "nothing yet"))
        }));
    }
    if let Some(bench) = &account.bench {
        for (role, title) in [
            (Role::StageTemperature, "Stage temperature"),
            (Role::PotTemperature, "Pot temperature"),
            (Role::ChamberPressure, "Chamber pressure"),
            (Role::PreparationPressure, "Preparation pressure"),
            (Role::HeliumLevel, "Helium"),
        ] {
            drawn.extend(watched(account, bench, role, title));
        }
    }
    drawn.extend(campaign.map(|pursuit| both("days", "The days", LARGE, |size| plot::days(pursuit, size.0))));
    drawn
}

fn both(name: &str, title: &str, sizes: [(f64, f64); 2], draw: impl Fn((f64, f64)) -> Drawing) -> Drawn {
    let [wide, narrow] = sizes.map(|size| draw(size).svg_for_page());
    Drawn { name: name.to_owned(), title: title.to_owned(), wide, narrow }
}

fn sweep(account: &Account, shown: &Shown, size: (f64, f64)) -> Drawing {
    let outline = &shown.outline;
    if outline.table.x.is_empty() || outline.table.values.get(shown.read).is_none_or(Vec::is_empty) {
        let label = format!("sweep {}, {}: no points yet", outline.table.sweep, outline.table.name);
        return Chart { title: label.clone(), label, ..Chart::default() }.draw(size.0, size.1);
    }
    if outline.table.slow.is_some() && !shown.line_only {
        return plot::map(&outline.table, outline, shown.read).draw(size.0, size.1);
    }
    let mut chart = plot::spectrum(account, outline, &outline.table, Some(shown.read));
    if !outline.ended {
        let table = &outline.table;
        chart.title =
            chart.title.replace(" · incomplete", &format!(" · {} of {}", outline.measured, table.planned));
        if !shown.line_only
            && let Some(range) = planned_range(account, outline)
        {
            // The sweep grows into its range, and the axis stands still.
            chart.x.range = Some(range);
        }
    }
    chart.draw(size.0, size.1)
}

/// Ends of the fast axis as planned, in the unit in which it is drawn.
fn planned_range(account: &Account, outline: &crate::report::account::SweepOutline) -> Option<(f64, f64)> {
    let (from, to) = (outline.plan.fast.from, outline.plan.fast.to);
    let unit: Unit =
        Unit::parse(&outline.table.fast.unit).unwrap_or_else(|| account.unit_of(&outline.table.fast.channel));
    let (a, b) = (unit.from_si(from.min(to)), unit.from_si(from.max(to)));
    let by = 0.02 * (b - a);
    (b > a).then_some((a - by, b + by))
}

fn watched(account: &Account, bench: &Bench, role: Role, title: &str) -> Option<Drawn> {
    let channel = bench.channel(bench.by_role(role)?);
    account.monitors.get(&channel.name).filter(|readings| !readings.is_empty())?;
    let mut chart = plot::watched_chart(account, &channel.name);
    chart.title = String::new();
    if let (Role::HeliumLevel, Some(helium)) = (role, account.helium()) {
        chart.marks.push(Mark { y: channel.unit.from_si(helium.limit_m3), text: "refill limit".to_owned() });
    }
    Some(both(&channel.name, title, SMALL, |size| chart.draw(size.0, size.1)))
}
