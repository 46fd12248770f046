//! Fits, laws and verdicts as JSON.

use crate::record::FitFound;
use crate::report::account::Account;
use serde_json::{Value, json};

/// All fits, lines against field and verdicts with all their numbers, in SI.
///
/// The object has `run`, `sweeps` with their settings, `tables` of the sequence (those of more than 20,000 numbers without
/// them), `fits`, `resonance_laws`, `verdicts`, `other`; each item has `at_s`, each fit `sweep`,
/// `field_t`, `channel`, `trusted`, `doubts`, and by the name of each parameter `value`, `error`, `fixed`
/// (`null` where a number was not finite), and `fit` as it was recorded.
pub fn fits_json(account: &Account) -> Value {
    let fits: Vec<Value> = account
        .fits
        .iter()
        .map(|fit| {
            let parameters: serde_json::Map<String, Value> = fit
                .parameters
                .iter()
                .map(|p| (p.name.clone(), json!({ "value": p.value, "error": p.error, "fixed": p.fixed })))
                .collect();
            json!({
                "sweep": fit.sweep,
                "at_s": fit.at_s,
                "field_t": fit.field_t,
                "channel": account.channel_name(&fit.channel),
                "trusted": fit.trusted,
                "doubts": fit.doubts.join("; "),
                "parameters": parameters,
                "fit": FitFound::as_recorded(&fit.body),
            })
        })
        .collect();
    let laws: Vec<Value> =
        account.laws.iter().map(|law| json!({ "at_s": law.at_s, "body": law.body })).collect();
    let verdicts: Vec<Value> =
        account.verdicts.iter().map(|v| json!({ "at_s": v.at_s, "body": v.body })).collect();
    let other: Vec<Value> = account
        .judged
        .iter()
        .map(|(at_s, what, title, body)| json!({ "at_s": at_s, "what": what, "title": title, "body": body }))
        .collect();
    let sweeps: Vec<Value> = account
        .sweeps
        .iter()
        .map(|s| {
            json!({
                "sweep": s.table.sweep,
                "name": s.table.name,
                "at_s": s.at_s,
                "points": s.measured,
                "planned": s.table.planned,
                "ended": s.ended,
                "ended_early_because": s.because,
                "settings": { "begin": s.settings[0], "end": s.settings[1] },
            })
        })
        .collect();
    let tables: Vec<Value> = account
        .tables
        .iter()
        .map(|own| json!({ "at_s": own.at_s, "seq": own.seq, "table": own.table }))
        .collect();
    json!({
        "run": account.name(),
        "units": "SI",
        "sweeps": sweeps,
        "tables": tables,
        "fits": fits,
        "resonance_laws": laws,
        "verdicts": verdicts,
        "other": other,
    })
}
