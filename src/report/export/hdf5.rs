//! HDF5 laid out by the NeXus conventions, through a writer in pure Rust that only this module knows.
//!
//! The root is an `NXroot` with one `NXentry` `run`; each sweep is an `NXdata` group with `@signal`, `@axes` and
//! units, so that a viewer that knows NeXus draws it at once; `@default` leads to the first sweep. Conventions
//! of the NeXus manual, classes NXroot, NXentry, NXdata, NXcollection, NXnote, NXprocess.

use super::overview::{Cell, overview, settings_of};
use super::whole::Whole;
use super::{ExportError, fits_json, plain_name};
use crate::record::{Column, RunFile, SweepPlan};
use crate::report::account::{Account, SweepOutline, TableOutline};
use rust_hdf5::types::VarLenUnicode;
use rust_hdf5::{H5Dataset, H5File, H5Group};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

/// Values that go to the file at once, and the length of a chunk.
const CHUNK: usize = 16_384;
/// Columns shorter than this are not compressed.
const COMPRESS_FROM: u64 = 4096;
/// Maps up to this size are written as a rectangle; longer ones as lists, to keep memory flat.
const LARGEST_RECTANGLE: usize = 2_000_000;

/// Writes a run as one HDF5 file.
///
/// # Errors
/// The run can't be read, or the file can't be written.
pub fn hdf5(run: &RunFile, path: &Path) -> Result<(), ExportError> {
    let account = Account::read(run);
    let whole = Whole::new(path);
    write(run, &account, whole.beside()).map_err(|failure| match failure {
        Failure::Export(error) => error,
        Failure::Library(error) => ExportError::write(path, error),
    })?;
    whole.finish()
}

/// What can fail while writing.
enum Failure {
    Export(ExportError),
    Library(rust_hdf5::Hdf5Error),
}

impl From<rust_hdf5::Hdf5Error> for Failure {
    fn from(error: rust_hdf5::Hdf5Error) -> Self {
        Self::Library(error)
    }
}

impl From<crate::record::RecordError> for Failure {
    fn from(error: crate::record::RecordError) -> Self {
        Self::Export(error.into())
    }
}

fn write(run: &RunFile, account: &Account, path: &Path) -> Result<(), Failure> {
    let file = H5File::create(path)?;
    file.set_attr_string("NX_class", "NXroot")?;
    file.set_attr_string("default", "run")?;
    file.set_attr_string("creator", &format!("noctule {}", env!("CARGO_PKG_VERSION")))?;
    let entry = file.create_group("run")?;
    entry.set_attr_string("NX_class", "NXentry")?;
    let first = account.sweeps.iter().find(|s| s.measured > 0).map(sweep_name);
    let first_bulk =
        account.bulks.first().map(|b| format!("{}_{:06}_{}", b.verb(), b.seq, plain_name(b.name())));
    if let Some(default) = first.or(first_bulk) {
        entry.set_attr_string("default", &default)?;
    }
    frame(&entry, account)?;
    for outline in account.sweeps.iter().filter(|s| s.measured > 0) {
        sweep(&entry, run, account, outline)?;
    }
    bulks(&entry, run, account)?;
    for own in &account.tables {
        own_table(&entry, run, own)?;
    }
    all_sweeps(&entry, account)?;
    monitors(&entry, account)?;
    texts(&entry, run, account)?;
    file.close()?;
    Ok(())
}

fn text(group: &H5Group, name: &str, value: &str) -> Result<(), Failure> {
    group.write_vlen_strings(name, &[value])?;
    Ok(())
}

fn frame(entry: &H5Group, account: &Account) -> Result<(), Failure> {
    let identity = account.identity.clone().unwrap_or_default();
    text(entry, "title", &format!("{} — {}", identity.sequence, account.name()))?;
    text(entry, "program_name", &format!("noctule {}", identity.version))?;
    if let Some(start) = account.history.clock.iso(0.0) {
        text(entry, "start_time", &start)?;
    }
    if let Some(end) = account.history.clock.iso(account.history.end_s) {
        text(entry, "end_time", &end)?;
    }
    text(entry, "outcome", account.outcome_word())?;
    let meta = super::csv::run_meta(account).to_string();
    text(entry, "metadata", &meta)
}

fn sweep_name(outline: &SweepOutline) -> String {
    format!("sweep_{:04}_{}", outline.table.sweep, plain_name(&outline.table.name))
}

fn data_group(entry: &H5Group, name: &str, signal: &str, axes: &[&str]) -> Result<H5Group, Failure> {
    let group = entry.create_group(name)?;
    group.set_attr_string("NX_class", "NXdata")?;
    group.set_attr_string("signal", signal)?;
    group.set_attr_string_array("axes", axes)?;
    Ok(group)
}

fn attribute(dataset: &H5Dataset, name: &str, value: &str) -> Result<(), Failure> {
    dataset.new_attr::<VarLenUnicode>().shape(()).create(name)?.write_string(value)?;
    Ok(())
}

/// A column that grows.
struct Growing {
    dataset: H5Dataset,
    waiting: Vec<f64>,
}

impl Growing {
    fn new(group: &H5Group, name: &str, unit: &str, expected: u64) -> Result<Self, Failure> {
        let chunk = usize::try_from(expected).unwrap_or(CHUNK).clamp(1, CHUNK);
        let mut builder = group.new_dataset::<f64>().shape([0_usize]).chunk(&[chunk]).max_shape(&[None]);
        if expected >= COMPRESS_FROM {
            builder = builder.shuffle_deflate(1);
        }
        let dataset = builder.create(name)?;
        if !unit.is_empty() {
            attribute(&dataset, "units", unit)?;
        }
        attribute(
            &dataset,
            "long_name",
            &if unit.is_empty() { name.to_owned() } else { format!("{name} ({unit})") },
        )?;
        Ok(Self { dataset, waiting: Vec::with_capacity(chunk) })
    }

    fn push(&mut self, value: f64) -> Result<(), Failure> {
        self.waiting.push(value);
        if self.waiting.len() == self.waiting.capacity() {
            self.pass_on()?;
        }
        Ok(())
    }

    fn pass_on(&mut self) -> Result<(), Failure> {
        if !self.waiting.is_empty() {
            self.dataset.append(&self.waiting)?;
            self.waiting.clear();
        }
        Ok(())
    }
}

/// Names of the columns, made different where two channels would share one.
fn names(columns: &[&Column]) -> Vec<String> {
    let mut taken: BTreeSet<String> = ["time", "i"].iter().map(|s| (*s).to_owned()).collect();
    columns
        .iter()
        .map(|column| {
            let mut name = plain_name(&column.channel);
            while !taken.insert(name.clone()) {
                name.push_str("_read");
            }
            name
        })
        .collect()
}

fn sweep(entry: &H5Group, run: &RunFile, account: &Account, outline: &SweepOutline) -> Result<(), Failure> {
    let table = &outline.table;
    let columns: Vec<&Column> = std::iter::once(&table.fast).chain(&table.slow).chain(&table.read).collect();
    let names = names(&columns);
    let axes = 1 + usize::from(table.slow.is_some());
    let signal = names.get(axes).map_or("time", String::as_str);
    let measured = usize::try_from(outline.measured).unwrap_or(usize::MAX);
    let line = outline.line.and_then(|n| usize::try_from(n).ok()).filter(|n| *n > 0);
    let rectangle = line.filter(|n| {
        axes == 2
            && !table.both_ways
            && measured as u64 == table.planned
            && measured % n == 0
            && measured <= LARGEST_RECTANGLE
    });
    let group = match rectangle {
        Some(_) => data_group(entry, &sweep_name(outline), signal, &[&names[1], &names[0]])?,
        None => data_group(entry, &sweep_name(outline), signal, &[&names[0]])?,
    };
    if axes == 2 {
        group.set_attr_numeric(&format!("{}_indices", names[0]), &i64::from(rectangle.is_some()))?;
        group.set_attr_numeric(&format!("{}_indices", names[1]), &0_i64)?;
    }
    if table.read.len() > 1 {
        let more: Vec<&str> = names[axes + 1..].iter().map(String::as_str).collect();
        group.set_attr_string_array("auxiliary_signals", &more)?;
    }
    let title = match outline.field_t {
        Some(field) => format!("{} {} at {field} T", table.name, table.sweep),
        None => format!("{} {}", table.name, table.sweep),
    };
    group.set_attr_string("title", &title)?;
    // Lists of places stand in the columns already, and an attribute holds 64 kB.
    let short = SweepPlan { places: Arc::default(), along: Vec::new(), ..outline.plan.clone() };
    group.set_attr_string("arguments", &serde_json::json!(short).to_string())?;
    for (name, unit, both) in settings_of(account, outline) {
        let name = plain_name(&name);
        for (end, cell) in ["begin", "end"].iter().zip(&both) {
            match cell {
                Cell::Number(number) => group.set_attr_numeric(&format!("{name}_{end}"), number)?,
                Cell::Text(text) => group.set_attr_string(&format!("{name}_{end}"), text)?,
                Cell::Nothing => {}
            }
        }
        if !unit.is_empty() {
            group.set_attr_string(&format!("{name}_units"), &unit)?;
        }
    }
    if let Some(field) = outline.field_t {
        group.set_attr_numeric("field_t", &field)?;
    }
    let doubts = super::csv::doubts_of(run, account, outline);
    if !doubts.is_empty() {
        // Points whose time lies within one of them may not have been measured as they were meant.
        let stretches: Vec<[f64; 2]> =
            doubts.iter().map(|doubt| [doubt.good_until.s(), doubt.found_at.s()]).collect();
        group.set_attr_string("doubtful_within_s", &serde_json::json!(stretches).to_string())?;
    }
    match rectangle {
        Some(line) => rectangular(&group, run, account, outline, &columns, &names, line),
        None => listed(&group, run, account, outline, &columns, &names),
    }
}

/// Point by point, one growing column each.
fn listed(
    group: &H5Group,
    run: &RunFile,
    account: &Account,
    outline: &SweepOutline,
    columns: &[&Column],
    names: &[String],
) -> Result<(), Failure> {
    let mut growing = Vec::with_capacity(columns.len() + 1);
    for (column, name) in columns.iter().zip(names) {
        growing.push(Growing::new(group, name, &column.si_unit, outline.measured)?);
    }
    growing.push(Growing::new(group, "time", "s", outline.measured)?);
    let slow = usize::from(outline.table.slow.is_some());
    let mut failure = None;
    let mut written = 0;
    let walked = run.points(outline.table.sweep, |point| {
        if failure.is_some() || written >= outline.measured {
            return;
        }
        written += 1;
        let axes = [point.x, point.y];
        let read = point.values.in_columns(outline.table.read.len());
        let values = axes[..=slow].iter().copied().chain(read).chain([point.at.s()]);
        failure = growing.iter_mut().zip(values).find_map(|(column, value)| column.push(value).err());
    });
    if account.is_intact() {
        walked?;
    }
    if let Some(failure) = failure {
        return Err(failure);
    }
    growing.iter_mut().try_for_each(Growing::pass_on)
}

/// A complete map as rows and columns.
fn rectangular(
    group: &H5Group,
    run: &RunFile,
    account: &Account,
    outline: &SweepOutline,
    columns: &[&Column],
    names: &[String],
    line: usize,
) -> Result<(), Failure> {
    let table = account.fill(run, outline)?;
    let rows = table.x.len() / line;
    let fast = table.x[..line].to_vec();
    let slow: Vec<f64> = (0..rows).map(|row| table.y[row * line]).collect();
    for (i, values) in [fast, slow].iter().enumerate() {
        let dataset = group.new_dataset::<f64>().shape([values.len()]).create(&names[i])?;
        dataset.write_raw(values)?;
        describe(&dataset, columns[i])?;
    }
    for (i, values) in table.values.iter().enumerate() {
        let dataset = group.new_dataset::<f64>().shape([rows, line]).create(&names[2 + i])?;
        dataset.write_raw(values)?;
        describe(&dataset, columns[2 + i])?;
    }
    Ok(())
}

fn describe(dataset: &H5Dataset, column: &Column) -> Result<(), Failure> {
    if !column.si_unit.is_empty() {
        attribute(dataset, "units", &column.si_unit)?;
    }
    attribute(dataset, "long_name", &format!("{} ({})", column.channel, column.si_unit))
}

fn bulks(entry: &H5Group, run: &RunFile, account: &Account) -> Result<(), Failure> {
    for bulk in &account.bulks {
        let numbers = run.bulk(bulk.seq)?;
        let signal = plain_name(bulk.name());
        let name = format!("{}_{:06}_{signal}", bulk.verb(), bulk.seq);
        let shape: Vec<usize> = bulk.shape.iter().filter_map(|n| usize::try_from(*n).ok()).collect();
        let whole = shape.iter().product::<usize>() == numbers.len() && !numbers.is_empty();
        if !whole {
            continue;
        }
        let image = shape.len() == 2;
        let axes: &[&str] = if image { &[".", "."] } else { &["time"] };
        let group = data_group(entry, &name, &signal, axes)?;
        let dataset = group.new_dataset::<f64>().shape(&shape).create(&signal)?;
        dataset.write_raw(&numbers)?;
        attribute(&dataset, "units", bulk.unit())?;
        group.set_attr_string("arguments", &serde_json::json!(bulk.task).to_string())?;
        if !image {
            let times: Vec<f64> = (0..numbers.len()).map(|i| i as f64 * bulk.interval_s()).collect();
            let time = group.new_dataset::<f64>().shape([times.len()]).create("time")?;
            time.write_raw(&times)?;
            attribute(&time, "units", "s")?;
        }
    }
    Ok(())
}

/// A table of the sequence: its first column is the axis, its second the signal.
fn own_table(entry: &H5Group, run: &RunFile, own: &TableOutline) -> Result<(), Failure> {
    let bulk = if own.table.numbers.is_empty() { run.bulk(own.seq)? } else { Vec::new() };
    let columns = own.table.by_column(&bulk);
    if own.table.rows == 0 {
        return Ok(());
    }
    let names: Vec<String> = own.table.columns.iter().map(|column| plain_name(&column.name)).collect();
    let signal = names.get(1).unwrap_or(&names[0]);
    let group = data_group(entry, &super::csv::own_name(own), signal, &[&names[0]])?;
    group.set_attr_string("title", &own.table.name)?;
    let mut taken = BTreeSet::new();
    for ((column, name), values) in own.table.columns.iter().zip(&names).zip(&columns) {
        let mut name = name.clone();
        while !taken.insert(name.clone()) {
            name.push('_');
        }
        let mut growing = Growing::new(&group, &name, &column.si_unit, own.table.rows)?;
        values.iter().try_for_each(|value| growing.push(*value))?;
        growing.pass_on()?;
    }
    Ok(())
}

/// One row for each sweep: when, how the bench stood, what its last fit says.
fn all_sweeps(entry: &H5Group, account: &Account) -> Result<(), Failure> {
    if account.sweeps.is_empty() {
        return Ok(());
    }
    let group = entry.create_group("sweeps")?;
    group.set_attr_string("NX_class", "NXcollection")?;
    for column in overview(account) {
        let name = plain_name(&column.name);
        if column.cells.iter().any(|cell| matches!(cell, Cell::Text(_))) {
            let texts: Vec<&str> = column
                .cells
                .iter()
                .map(|c| if let Cell::Text(text) = c { text.as_str() } else { "" })
                .collect();
            group.write_vlen_strings(&name, &texts)?;
            continue;
        }
        let number = |cell: &Cell| if let Cell::Number(number) = cell { *number } else { f64::NAN };
        let mut growing = Growing::new(&group, &name, &column.unit, column.cells.len() as u64)?;
        column.cells.iter().try_for_each(|cell| growing.push(number(cell)))?;
        growing.pass_on()?;
    }
    Ok(())
}

fn monitors(entry: &H5Group, account: &Account) -> Result<(), Failure> {
    if account.monitors.is_empty() {
        return Ok(());
    }
    let collection = entry.create_group("monitors")?;
    collection.set_attr_string("NX_class", "NXcollection")?;
    for (channel, readings) in &account.monitors {
        let dimension = account.unit_of(channel).dimension;
        let volume = dimension == crate::quantity::Dimension::VOLUME;
        let unit = if volume { "m^3".to_owned() } else { dimension.symbol() };
        let group = data_group(&collection, &plain_name(channel), "value", &["time"])?;
        let mut value = Growing::new(&group, "value", &unit, readings.len() as u64)?;
        let mut time = Growing::new(&group, "time", "s", readings.len() as u64)?;
        for (at_s, reading) in readings {
            time.push(*at_s)?;
            value.push(*reading)?;
        }
        time.pass_on()?;
        value.pass_on()?;
    }
    Ok(())
}

fn texts(entry: &H5Group, run: &RunFile, account: &Account) -> Result<(), Failure> {
    for (role, kind) in [("sequence", "text/plain"), ("bench", "text/plain"), ("world", "text/plain")] {
        let Some((name, content)) = run.document(role)? else { continue };
        let note = entry.create_group(role)?;
        note.set_attr_string("NX_class", "NXnote")?;
        text(&note, "type", kind)?;
        text(&note, "file_name", &name)?;
        text(&note, "data", &content)?;
    }
    let process = entry.create_group("fits")?;
    process.set_attr_string("NX_class", "NXprocess")?;
    text(&process, "program", "noctule")?;
    let note = process.create_group("note")?;
    note.set_attr_string("NX_class", "NXnote")?;
    text(&note, "type", "application/json")?;
    text(&note, "data", &fits_json(account).to_string())
}
