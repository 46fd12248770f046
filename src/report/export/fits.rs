//! Fits, laws and verdicts as JSON.

use crate::report::account::Account;
use serde_json::{Value, json};

/// All fits, lines against field and verdicts with all their numbers, in SI.
///
/// The object has `run`, `fits`, `field_lines`, `verdicts`, `other`; each item has `at_s`, each fit `sweep`,
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
                "fit": fit.body["fit"],
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
    json!({
        "run": account.name(),
        "units": "SI",
        "fits": fits,
        "field_lines": laws,
        "verdicts": verdicts,
        "other": other,
    })
}
