//! CSV: one file a table, one header line with units, before that of a sweep how the bench stood, metadata as JSON beside it.

use super::overview::{Cell, overview};
use super::{ExportError, fits_json, plain_name, whole};
use crate::quantity::TimePoint;
use crate::record::{Column, Doubt, Point, RunFile};
use crate::report::account::{Account, BulkOutline, SweepOutline, TableOutline};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Writes a run into a folder as CSV; returns the files in the order in which they were written.
///
/// `sweep_NNNN_name.csv` for each sweep, `trace_NNNN_name.csv` and `image_NNNN.csv`, `table_NNNN_name.csv` for each table
/// of the sequence, `sweeps.csv` with one row for each sweep, its settings and its last fit, `monitors.csv`, `steps.csv`,
/// `chronicle.csv`, `fits.json`, `run.json`. Numbers are SI, written so that reading them gives the same bits;
/// each header cell is `name (unit)`. Lines that begin with `#` before the header of a sweep tell how the bench stood.
/// A gap is an empty field. Where an instrument was found changed during a sweep, its table has a column
/// `doubtful`: 1 at points that may not have been measured as they were meant. Fields are quoted as in RFC 4180.
///
/// # Errors
/// The run can't be read, or a file can't be written.
pub fn csv(run: &RunFile, folder: &Path) -> Result<Vec<PathBuf>, ExportError> {
    std::fs::create_dir_all(folder).map_err(|error| ExportError::write(folder, error))?;
    let account = Account::read(run);
    let mut files = Vec::new();
    let mut put = |name: String| {
        let path = folder.join(name);
        files.push(path.clone());
        path
    };
    for outline in &account.sweeps {
        let name = format!("sweep_{:04}_{}", outline.table.sweep, plain_name(&outline.table.name));
        sweep(run, &account, outline, &put(format!("{name}.csv")))?;
        write_json(&put(format!("{name}.json")), &sweep_meta(&account, outline))?;
    }
    for bulk in &account.bulks {
        let name = format!("{}_{:06}_{}", bulk.verb(), bulk.seq, plain_name(bulk.name()));
        bulk_table(run, bulk, &put(format!("{name}.csv")))?;
        write_json(&put(format!("{name}.json")), &bulk_meta(bulk))?;
    }
    for own in &account.tables {
        let name = own_name(own);
        own_table(run, own, &put(format!("{name}.csv")))?;
        write_json(&put(format!("{name}.json")), &own_meta(own))?;
    }
    sweeps(&account, &put("sweeps.csv".to_owned()))?;
    monitors(&account, &put("monitors.csv".to_owned()))?;
    steps(&account, &put("steps.csv".to_owned()))?;
    chronicle(&account, &put("chronicle.csv".to_owned()))?;
    write_json(&put("fits.json".to_owned()), &fits_json(&account))?;
    write_json(&put("run.json".to_owned()), &run_meta(&account))?;
    Ok(files)
}

/// What was run and how it ended, as JSON.
pub(super) fn run_meta(account: &Account) -> Value {
    let identity = account.identity.clone().unwrap_or_default();
    json!({
        "run": account.name(),
        "sequence": identity.sequence,
        "sequence_hash": identity.sequence_hash,
        "bench": identity.bench,
        "bench_hash": identity.bench_hash,
        "world": identity.world,
        "seed": identity.seed,
        "rehearsal": identity.rehearsal,
        "version": identity.version,
        "started_at": account.history.clock.iso(0.0),
        "outcome": account.outcome_word(),
        "reason": account.history.ending.as_ref().map(|e| e.reason.clone()),
        "parked": account.history.parked,
        "elapsed_s": account.history.end_s,
        "sweeps": account.sweeps.len(),
        "points": account.history.points,
        "intact": account.is_intact(),
        "faults": account.integrity.faults,
        "digest": account.integrity.digest,
    })
}

fn sweep_meta(account: &Account, outline: &SweepOutline) -> Value {
    let column = |c: &Column| json!({ "channel": c.channel, "unit": c.si_unit, "shown_in": c.unit });
    json!({
        "run": account.name(),
        "sweep": outline.table.sweep,
        "name": outline.table.name,
        "at_s": outline.at_s,
        "at": account.history.clock.iso(outline.at_s),
        "fast": column(&outline.table.fast),
        "slow": outline.table.slow.as_ref().map(column),
        "read": outline.table.read.iter().map(column).collect::<Vec<_>>(),
        "both_ways": outline.table.both_ways,
        "points": outline.measured,
        "planned": outline.table.planned,
        "ended": outline.ended,
        "ended_early_because": outline.because,
        "settings": { "begin": outline.settings[0], "end": outline.settings[1] },
        "field_t": outline.field_t,
        "rf_level_dbm": outline.level_dbm,
        "place": outline.place,
        "arguments": outline.plan,
    })
}

fn bulk_meta(bulk: &BulkOutline) -> Value {
    json!({
        "verb": bulk.verb(),
        "name": bulk.name(),
        "unit": bulk.unit(),
        "shape": bulk.shape,
        "interval_s": bulk.interval_s(),
        "first_at_s": bulk.first_at_s(),
        "ended_at_s": bulk.at_s,
        "arguments": bulk.task,
    })
}

fn write_json(path: &Path, value: &Value) -> Result<(), ExportError> {
    whole::write(path, |out| {
        serde_json::to_writer_pretty(&mut *out, value).map_err(|error| ExportError::write(path, error))?;
        out.write_all(b"\n").map_err(|error| ExportError::write(path, error))
    })
}

fn header(name: &str, unit: &str) -> String {
    field(&if unit.is_empty() { name.to_owned() } else { format!("{name} ({unit})") })
}

/// A field, quoted where RFC 4180 asks for it. A text that a spreadsheet would take for a formula, and carry out, gets
/// an apostrophe before it, which spreadsheets take for "this is text".
fn field(text: &str) -> String {
    let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    let text = &if formula { format!("'{text}") } else { text.to_owned() };
    if text.contains([',', '"', '\n', '\r']) {
        return format!("\"{}\"", text.replace('"', "\"\""));
    }
    text.to_owned()
}

fn sweep(run: &RunFile, account: &Account, outline: &SweepOutline, path: &Path) -> Result<(), ExportError> {
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        let table = &outline.table;
        let axes = std::iter::once(&table.fast).chain(&table.slow);
        let columns = axes.chain(&table.read).map(|c| header(&c.channel, &c.si_unit));
        let doubts = doubts_of(run, account, outline);
        let flag = (!doubts.is_empty()).then(|| "doubtful".to_owned());
        let head = ["i".to_owned(), "time (s)".to_owned()].into_iter().chain(columns).chain(flag);
        let head: Vec<String> = head.collect();
        settings(out, account, outline).map_err(fail)?;
        writeln!(out, "{}", head.join(",")).map_err(fail)?;
        let slow = table.slow.is_some();
        let mut written = 0;
        let mut failure = None;
        let shape = (slow, table.read.len());
        run.points(table.sweep, |point| {
            if written < outline.measured && failure.is_none() {
                failure = row(out, &point, shape, &doubts).err();
                written += 1;
            }
        })
        .or_else(|error| if account.is_intact() { Err(error) } else { Ok(()) })?;
        failure.map_or(Ok(()), |error| Err(fail(error)))
    })
}

/// Stretches of time within which points of a sweep are doubtful; none where nothing was found of a damaged file.
pub(super) fn doubts_of(run: &RunFile, account: &Account, outline: &SweepOutline) -> Vec<Doubt> {
    let doubts = run.doubts((0, u64::MAX)).unwrap_or_default();
    let until_s = account.sweeps.iter().map(|other| other.at_s).filter(|at_s| *at_s > outline.at_s);
    let until_s = until_s.fold(f64::INFINITY, f64::min);
    let meets = |doubt: &Doubt| doubt.found_at.s() > outline.at_s && doubt.good_until.s() < until_s;
    doubts.into_iter().filter(meets).collect()
}

/// How the bench stood, before the header: `# bias (V),begin,end`.
fn settings(out: &mut impl Write, account: &Account, outline: &SweepOutline) -> std::io::Result<()> {
    let columns = super::overview::settings_of(account, outline);
    if columns.is_empty() {
        return Ok(());
    }
    writeln!(out, "# setting,at its beginning,at its end")?;
    for (name, unit, [begin, end]) in columns {
        writeln!(out, "# {},{},{}", header(&name, &unit), cell(&begin), cell(&end))?;
    }
    Ok(())
}

/// A cell of a table; nothing stands for a gap.
fn cell(cell: &Cell) -> String {
    match cell {
        Cell::Nothing => String::new(),
        Cell::Number(number) if number.is_nan() => String::new(),
        Cell::Number(number) => format!("{number:e}"),
        Cell::Text(text) => field(text),
    }
}

fn sweeps(account: &Account, path: &Path) -> Result<(), ExportError> {
    let columns = overview(account);
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        let head: Vec<String> = columns.iter().map(|column| header(&column.name, &column.unit)).collect();
        writeln!(out, "{}", head.join(",")).map_err(fail)?;
        for i in 0..account.sweeps.len() {
            let cells: Vec<String> = columns.iter().map(|column| cell(&column.cells[i])).collect();
            writeln!(out, "{}", cells.join(",")).map_err(fail)?;
        }
        Ok(())
    })
}

/// Name of an exported table of the sequence.
pub(super) fn own_name(own: &TableOutline) -> String {
    format!("table_{:06}_{}", own.seq, plain_name(&own.table.name))
}

fn own_table(run: &RunFile, own: &TableOutline, path: &Path) -> Result<(), ExportError> {
    let bulk = if own.table.numbers.is_empty() { run.bulk(own.seq)? } else { Vec::new() };
    let columns = own.table.by_column(&bulk);
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        let head: Vec<String> = own.table.columns.iter().map(|c| header(&c.name, &c.si_unit)).collect();
        writeln!(out, "{}", head.join(",")).map_err(fail)?;
        for i in 0..columns.first().map_or(0, Vec::len) {
            let cells: Vec<String> = columns.iter().map(|column| cell(&Cell::Number(column[i]))).collect();
            writeln!(out, "{}", cells.join(",")).map_err(fail)?;
        }
        Ok(())
    })
}

fn own_meta(own: &TableOutline) -> Value {
    json!({
        "name": own.table.name,
        "at_s": own.at_s,
        "rows": own.table.rows,
        "columns": own.table.columns,
        "place": own.place,
    })
}

fn row(
    out: &mut impl Write,
    point: &Point,
    (slow, width): (bool, usize),
    doubts: &[Doubt],
) -> std::io::Result<()> {
    write!(out, "{},", point.i)?;
    seconds(out, point.at)?;
    write!(out, ",{:e}", point.x)?;
    if slow {
        write!(out, ",{:e}", point.y)?;
    }
    for value in point.values.in_columns(width) {
        // Nothing stands for a gap.
        if value.is_nan() {
            out.write_all(b",")?;
        } else {
            write!(out, ",{value:e}")?;
        }
    }
    if !doubts.is_empty() {
        let doubtful = doubts.iter().any(|doubt| doubt.covers(point.at));
        write!(out, ",{}", u8::from(doubtful))?;
    }
    out.write_all(b"\n")
}

/// Seconds with all nanoseconds.
fn seconds(out: &mut impl Write, at: TimePoint) -> std::io::Result<()> {
    let ns = at.nanoseconds();
    write!(out, "{}.{:09}", ns / 1_000_000_000, ns % 1_000_000_000)
}

fn bulk_table(run: &RunFile, bulk: &BulkOutline, path: &Path) -> Result<(), ExportError> {
    let numbers = run.bulk(bulk.seq)?;
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        let columns = bulk.shape.get(1).and_then(|n| usize::try_from(*n).ok()).filter(|n| *n > 0);
        match columns {
            Some(columns) => {
                writeln!(out, "row,column,{}", header(bulk.name(), bulk.unit())).map_err(fail)?;
                for (i, value) in numbers.iter().enumerate() {
                    writeln!(out, "{},{},{value:e}", i / columns, i % columns).map_err(fail)?;
                }
            }
            None => {
                writeln!(out, "time (s),{}", header(bulk.name(), bulk.unit())).map_err(fail)?;
                for (i, value) in numbers.iter().enumerate() {
                    writeln!(out, "{:e},{value:e}", i as f64 * bulk.interval_s()).map_err(fail)?;
                }
            }
        }
        Ok(())
    })
}

fn monitors(account: &Account, path: &Path) -> Result<(), ExportError> {
    let mut rows: Vec<(f64, &str, f64)> = Vec::new();
    for (channel, readings) in &account.monitors {
        rows.extend(readings.iter().map(|(t, v)| (*t, channel.as_str(), *v)));
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(b.1)));
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        writeln!(out, "time (s),channel,value (SI),unit").map_err(fail)?;
        for (at_s, channel, value) in rows {
            let unit = account.unit_of(channel).dimension;
            // The symbol for volumes is the litre, but the numbers are SI.
            let unit =
                if unit == crate::quantity::Dimension::VOLUME { "m^3".to_owned() } else { unit.symbol() };
            writeln!(out, "{at_s:e},{},{value:e},{unit}", field(channel)).map_err(fail)?;
        }
        Ok(())
    })
}

fn steps(account: &Account, path: &Path) -> Result<(), ExportError> {
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        writeln!(out, "step,name,depth,from (s),to (s),sweeps,skipped,line").map_err(fail)?;
        for step in &account.history.steps {
            let to = step.to_s.map_or(String::new(), |t| format!("{t:e}"));
            let left_out = field(step.left_out.as_deref().unwrap_or_default());
            let (from, line) = (step.from_s, step.place.line);
            let (number, name) = (step.step, field(&step.name));
            writeln!(out, "{number},{name},{},{from:e},{to},{},{left_out},{line}", step.depth, step.sweeps)
                .map_err(fail)?;
        }
        Ok(())
    })
}

fn chronicle(account: &Account, path: &Path) -> Result<(), ExportError> {
    let mut rows: Vec<(f64, String, String)> = Vec::new();
    rows.extend(account.happenings.iter().map(|h| (h.at_s, h.kind.to_owned(), h.text.clone())));
    rows.extend(account.tip.iter().map(|t| (t.at_s, format!("tip {}", t.what), t.remark.clone())));
    rows.extend(
        account.park.iter().map(|p| (p.at_s, "park".to_owned(), format!("{}: {}", p.what, p.remark))),
    );
    rows.extend(account.remarks.iter().map(|r| match &r.decided {
        None => (r.at_s, "note".to_owned(), r.text.clone()),
        Some((answer, why)) => (r.at_s, "decision".to_owned(), format!("{} {answer} {why}", r.text)),
    }));
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    whole::write(path, |out| {
        let fail = |error: std::io::Error| ExportError::write(path, error);
        writeln!(out, "time (s),kind,text").map_err(fail)?;
        for (at_s, kind, text) in rows {
            writeln!(out, "{at_s:e},{},{}", field(&kind), field(&text)).map_err(fail)?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_as_the_standard_asks() {
        // RFC 4180, section 2, points 6 and 7.
        assert_eq!(field("a,b"), "\"a,b\"");
        assert_eq!(field("say \"no\""), "\"say \"\"no\"\"\"");
        assert_eq!(field("plain"), "plain");
        assert_eq!(field("=cmd|' /C calc'!A0"), "'=cmd|' /C calc'!A0");
        assert_eq!(field("@SUM(1,2)"), "\"'@SUM(1,2)\"");
        let mut out = Vec::new();
        seconds(&mut out, TimePoint::from_nanoseconds(12_000_000_345)).unwrap();
        assert_eq!(out, b"12.000000345");
    }
}
