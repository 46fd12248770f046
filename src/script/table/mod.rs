//! Tables of what was measured: named columns along one axis or two, with units and errors that follow.
//!
//! A table is a value: whatever is done to it makes another one, and columns that stay the same are shared.

mod together;

pub use together::bounds;

use super::error::Said;
use super::handles::{Image, Seen, Sweep, Trace};
use super::numbers::{Numbers, NumbersError};
use crate::bench::Channel;
use crate::quantity::{Dimension, Quantity};
use crate::record::{OwnColumn, OwnTable};
use std::rc::Rc;

/// What stands behind the name of a column of standard errors.
pub const ERROR: &str = "_error";

/// A column.
#[derive(Debug, Clone)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// The role of the channel that it is of, by which it may be called as well.
    pub role: Option<&'static str>,
    /// Its numbers.
    pub numbers: Numbers,
}

impl Column {
    /// A column of that name.
    pub fn new(name: impl Into<String>, numbers: Numbers) -> Self {
        Self { name: name.into(), role: None, numbers }
    }

    /// A column of a channel.
    fn of(channel: &Channel, values: Vec<f64>) -> Self {
        let role = channel.role.map(|role| role.name());
        Self { role, ..Self::new(channel.name.clone(), Numbers::new(values, channel.dimension())) }
    }

    fn is_called(&self, name: &str) -> bool {
        self.name == name || self.role == Some(name)
    }
}

/// A table: columns of one length, of which the first are its axes.
#[derive(Debug, Clone)]
pub struct Table {
    columns: Rc<[Column]>,
    /// How many of the columns are axes: 1, or 2 for a map.
    axes: usize,
}

/// Why something can't be done with tables.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    /// Numbers that do not go together.
    #[error(transparent)]
    Numbers(#[from] NumbersError),
    /// Anything else.
    #[error("{0}")]
    Told(Said),
}

fn told<T>(words: impl Into<Said>) -> Result<T, TableError> {
    Err(TableError::Told(words.into()))
}

/// The axis of a column, its values, and their errors where all are known; without gaps. For fits.
#[derive(Debug, Clone, PartialEq)]
pub struct TableCurve {
    /// Values of the axis, SI, in the order of the table.
    pub x: Vec<f64>,
    /// Values of the column, SI.
    pub y: Vec<f64>,
    /// Their standard errors, SI.
    pub sigmas: Option<Vec<f64>>,
    /// Dimension of the axis.
    pub x_is: Dimension,
    /// Dimension of the column.
    pub y_is: Dimension,
}

impl Table {
    /// Of columns; the first `axes` of them are its axes. A column called like another one with `_error` behind holds
    /// its standard errors and goes into it.
    ///
    /// # Errors
    /// Columns of different lengths or of one name, or none at all.
    pub fn new(columns: Vec<Column>, axes: usize) -> Result<Self, TableError> {
        let Some(first) = columns.first() else { return told("a table needs a column") };
        let rows = first.numbers.values.len();
        if let Some(other) = columns.iter().find(|column| column.numbers.values.len() != rows) {
            let (name, has) = (&other.name, other.numbers.values.len());
            return told(format!("`{name}` has {has} numbers, and `{}` has {rows}", first.name));
        }
        let mut found: Vec<Column> = Vec::with_capacity(columns.len());
        for column in columns {
            if let Some(of) = column.name.strip_suffix(ERROR)
                && let Some(of) = found.iter_mut().find(|other| other.name == of)
                && of.numbers.dimension.change() == column.numbers.dimension
            {
                of.numbers.errors = Some(column.numbers.values);
                continue;
            }
            if found.iter().any(|other| other.name == column.name) {
                return told(format!("two columns are called `{}`", column.name));
            }
            found.push(column);
        }
        let axes = axes.clamp(1, found.len());
        Ok(Self { columns: found.into(), axes })
    }

    fn with_columns(&self, columns: Vec<Column>) -> Self {
        Self { columns: columns.into(), axes: self.axes }
    }

    /// A sweep as it was measured, point by point; gaps are no numbers.
    ///
    /// # Errors
    /// None that a measured sweep has.
    pub fn of_sweep(sweep: &Sweep) -> Result<Self, TableError> {
        let plan = &sweep.data.plan;
        let count = sweep.points() as u64;
        let axis = |channel, values: Vec<f64>| Column::of(sweep.bench.channel(channel), values);
        let mut columns = vec![axis(plan.fast.channel, sweep.x())];
        if let Some(slow) = &plan.slow {
            columns.push(axis(slow.channel, (0..count).map(|i| plan.at(i).1).collect()));
        }
        let axes = columns.len();
        for (i, id) in plan.read.iter().enumerate() {
            // A channel that is swept may be read as well.
            if columns.iter().all(|column| column.name != sweep.bench.channel(*id).name) {
                let values = sweep.data.values.iter().skip(i).step_by(plan.read.len());
                columns.push(axis(*id, values.copied().collect()));
            }
        }
        Self::new(columns, axes)
    }

    /// One reading of a sweep along its axis: rising, passes averaged, without gaps and doubtful points; with errors where
    /// each place was seen twice or more, from how the passes differ over all places together.
    ///
    /// # Errors
    /// If the sweep did not read that channel.
    pub fn spectrum(sweep: &Sweep, name: &str) -> Result<Self, TableError> {
        let Some((seen, column)) = sweep.places(name).zip(sweep.column(name)) else {
            let read = format!("it read {}", sweep.names().join(", "));
            return told(Said::with(format!("this sweep did not read `{name}`"), read));
        };
        let sound: Vec<Seen> = seen.into_iter().filter(Seen::sound).collect();
        let axis = sweep.bench.channel(sweep.data.plan.fast.channel);
        let x = Column::of(axis, sound.iter().map(|place| place.x).collect());
        let values = sound.iter().map(|place| place.y).collect();
        let mut y = match sweep.bench.find(name) {
            Some(id) => Column::of(sweep.bench.channel(id), values),
            None => Column::new(name, Numbers::new(values, column.dimension)),
        };
        if !sound.is_empty() && sound.iter().all(|place| place.count > 1) {
            // How passes differ is the same everywhere but for chance, and few of them say little of one place alone.
            let (square, freedom) = sound.iter().fold((0.0, 0.0), |(square, freedom), place| {
                let (count, more) = (f64::from(place.count), f64::from(place.count) - 1.0);
                (square + place.error.powi(2) * count * more, freedom + more)
            });
            let error = |place: &Seen| (square / freedom / f64::from(place.count)).sqrt();
            y.numbers = y.numbers.with_errors(sound.iter().map(error).collect());
        }
        Self::new(vec![x, y], 1)
    }

    /// A trace against time.
    ///
    /// # Errors
    /// None that a trace has.
    pub fn of_trace(trace: &Trace) -> Result<Self, TableError> {
        let times = (0..trace.numbers.values.len()).map(|i| i as f64 * trace.interval_s).collect();
        let time = Column::new("time", Numbers::new(times, Dimension::TIME));
        let column = Column { role: trace.role, ..Column::new(trace.channel.clone(), trace.numbers.clone()) };
        Self::new(vec![time, column], 1)
    }

    /// An image as a map of heights over x and y.
    ///
    /// # Errors
    /// None that an image has.
    pub fn of_image(image: &Image) -> Result<Self, TableError> {
        let side = image.pixels as usize;
        let step = image.size_m / (side.max(2) - 1) as f64;
        let place = |centre: f64, i: usize| centre - 0.5 * image.size_m + step * i as f64;
        let pixels = 0..image.heights_m.len();
        let x = pixels.clone().map(|i| place(image.centre_m.0, i % side.max(1))).collect();
        let y = pixels.map(|i| place(image.centre_m.1, i / side.max(1))).collect();
        let column = |name: &str, values| Column::new(name, Numbers::new(values, Dimension::LENGTH));
        Self::new(vec![column("x", x), column("y", y), column("height", image.heights_m.to_vec())], 2)
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.columns[0].numbers.values.len()
    }

    /// Its columns, axes first.
    pub fn columns(&self) -> &[Column] {
        &self.columns
    }

    /// How many of them are axes.
    pub fn axes(&self) -> usize {
        self.axes
    }

    /// The numbers of a column by its name, or by the role of its channel.
    ///
    /// # Errors
    /// If there is none.
    pub fn column(&self, name: &str) -> Result<&Numbers, TableError> {
        Ok(&self.called(name)?.numbers)
    }

    fn called(&self, name: &str) -> Result<&Column, TableError> {
        let found = self.columns.iter().find(|column| column.is_called(name));
        found.ok_or_else(|| {
            let names: Vec<String> = self.columns.iter().map(|column| format!("`{}`", column.name)).collect();
            let has = format!("it has {}", names.join(", "));
            TableError::Told(Said::with(format!("the table has no column `{name}`"), has))
        })
    }

    /// The only column beside the axes.
    fn only_column(&self) -> Result<&Column, TableError> {
        let beside = &self.columns[self.axes..];
        let [column] = beside else {
            let names: Vec<String> = beside.iter().map(|column| format!("`{}`", column.name)).collect();
            return told(format!("which column? The table has {}", names.join(", ")));
        };
        Ok(column)
    }

    /// A column along the axis, without gaps; the only one where none is named.
    ///
    /// # Errors
    /// If there is no such column, or the table is a map.
    pub fn curve(&self, name: Option<&str>) -> Result<TableCurve, TableError> {
        if self.axes != 1 {
            return told("a map has no curve: take a line of it first");
        }
        let y = match name {
            Some(name) => self.column(name)?,
            None => &self.only_column()?.numbers,
        };
        let x = &self.columns[0].numbers;
        let known: Vec<usize> =
            (0..self.rows()).filter(|i| x.values[*i].is_finite() && y.values[*i].is_finite()).collect();
        let of = |values: &[f64]| known.iter().map(|i| values[*i]).collect::<Vec<f64>>();
        let sigmas = y.errors.as_ref().map(|errors| of(errors));
        let sigmas = sigmas.filter(|sigmas| sigmas.iter().all(|sigma| *sigma > 0.0 && sigma.is_finite()));
        Ok(TableCurve { x: of(&x.values), y: of(&y.values), sigmas, x_is: x.dimension, y_is: y.dimension })
    }

    /// The rows from `from` to before `to`; nothing is copied.
    ///
    /// # Errors
    /// If there are not so many rows.
    pub fn part(&self, from: usize, to: usize) -> Result<Self, TableError> {
        if from > to || to > self.rows() {
            return told(format!("there are no rows {from} to {to}: the table has {}", self.rows()));
        }
        let part = |column: &Column| Column { numbers: column.numbers.part(from..to), ..column.clone() };
        Ok(self.with_columns(self.columns.iter().map(part).collect()))
    }

    /// The rows of which a column lies between two values, both counted in.
    ///
    /// # Errors
    /// If there is no such column, or the values are of another kind.
    pub fn within(&self, name: &str, least: Quantity, most: Quantity) -> Result<Self, TableError> {
        let column = self.column(name)?;
        let ends = [least, most].map(|end| end.expect(column.dimension).map_err(NumbersError::from));
        let [low, high] = ends;
        let (low, high) = (low?, high?);
        let inside: Vec<bool> = column.values.iter().map(|value| (low..=high).contains(value)).collect();
        let first = inside.iter().position(|is| *is).unwrap_or(0);
        let count = inside.iter().filter(|is| **is).count();
        // Rows in one stretch are shared.
        if inside[first..].iter().take(count).all(|is| *is) {
            return self.part(first, first + count);
        }
        let pick =
            |values: &[f64]| values.iter().zip(&inside).filter(|(_, is)| **is).map(|(v, _)| *v).collect();
        let part = |column: &Column| {
            let mut numbers = Numbers::new(pick(&column.numbers.values), column.numbers.dimension);
            numbers.errors = column.numbers.errors.as_ref().map(|errors| pick(errors).into());
            Column { numbers, ..column.clone() }
        };
        Ok(self.with_columns(self.columns.iter().map(part).collect()))
    }

    /// With one more column, or with another one in the place of a column of that name.
    ///
    /// # Errors
    /// If its length is another one.
    pub fn with(&self, name: &str, numbers: Numbers) -> Result<Self, TableError> {
        if numbers.values.len() != self.rows() {
            return told(format!(
                "`{name}` has {} numbers, and the table {} rows",
                numbers.values.len(),
                self.rows()
            ));
        }
        let mut columns = self.columns.to_vec();
        match columns.iter_mut().find(|column| column.is_called(name)) {
            Some(column) => column.numbers = numbers,
            None => columns.push(Column::new(name, numbers)),
        }
        Ok(self.with_columns(columns))
    }

    /// The axes and these columns alone.
    ///
    /// # Errors
    /// If one of them is not there.
    pub fn only(&self, names: &[String]) -> Result<Self, TableError> {
        let mut columns = self.columns[..self.axes].to_vec();
        for name in names {
            let column = self.called(name)?;
            if columns.iter().all(|known| known.name != column.name) {
                columns.push(column.clone());
            }
        }
        Ok(self.with_columns(columns))
    }

    /// As it goes into the record: a column of errors behind each that has some.
    pub fn to_record(&self, name: &str) -> OwnTable {
        let mut columns: Vec<(OwnColumn, &[f64])> = Vec::new();
        for column in self.columns.iter() {
            let unit = |dimension: Dimension| {
                // A level has no SI unit of its own.
                if dimension == Dimension::VOLUME { "m^3".to_owned() } else { dimension.symbol() }
            };
            let numbers = &column.numbers;
            let own = OwnColumn { name: column.name.clone(), si_unit: unit(numbers.dimension) };
            columns.push((own, &numbers.values));
            if let Some(errors) = &numbers.errors {
                let name = format!("{}{ERROR}", column.name);
                columns.push((OwnColumn { name, si_unit: unit(numbers.dimension.change()) }, errors));
            }
        }
        OwnTable::new(name.to_owned(), columns)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::script::numbers::Operation;

    fn table(x: &[f64], y: &[f64], errors: Option<&[f64]>) -> Table {
        let mut column = Numbers::new(y.to_vec(), Dimension::CURRENT);
        if let Some(errors) = errors {
            column = column.with_errors(errors.to_vec());
        }
        let x = Numbers::new(x.to_vec(), Dimension::FREQUENCY);
        let columns = vec![Column::new("f", x), Column::new("i", column)];
        Table::new(columns, 1).unwrap()
    }

    fn y(table: &Table) -> (Vec<f64>, Vec<f64>) {
        let numbers = table.column("i").unwrap();
        (numbers.values.to_vec(), numbers.errors.as_deref().unwrap_or_default().to_vec())
    }

    #[test]
    fn a_reference_is_subtracted_at_the_places_of_the_table() {
        let spectrum = table(&[1.0, 2.0, 3.5], &[5.0, 6.0, 7.0], Some(&[0.3, 0.3, 0.3]));
        let reference = table(&[4.0, 0.0], &[4.0, 0.0], Some(&[0.4, 0.4]));
        assert!(
            spectrum.combined(Operation::Minus, &reference).unwrap_err().to_string().contains("reference.at")
        );
        let at = reference.at(spectrum.column("f").unwrap()).unwrap();
        let (values, errors) = y(&spectrum.combined(Operation::Minus, &at).unwrap());
        assert_eq!(values, [4.0, 4.0, 3.5]);
        // Half way between two neighbours their errors halve and add as squares.
        assert!((errors[1] - 0.3_f64.hypot(0.4 / 2.0_f64.sqrt())).abs() < 1e-15);
        let beyond = reference.at(&Numbers::new(vec![5.0, 0.0], Dimension::FREQUENCY)).unwrap();
        assert!(y(&beyond).0[0].is_nan() && y(&beyond).0[1] == 0.0);
    }

    #[test]
    fn averages_go_by_weights_or_errors_and_leave_gaps_out() {
        let a = table(&[1.0, 2.0], &[10.0, f64::NAN], Some(&[1.0, 1.0]));
        let b = table(&[1.0, 2.0], &[16.0, 4.0], Some(&[2.0, 2.0]));
        let (values, errors) = y(&Table::average(&[a.clone(), b.clone()], None).unwrap());
        // Weights 1 and 1/4: (10 + 16/4) / 1.25, error 1/√1.25.
        assert!((values[0] - 11.2).abs() < 1e-12 && values[1] == 4.0);
        assert!((errors[0] - 1.25_f64.sqrt().recip()).abs() < 1e-15 && errors[1] == 2.0);
        let (values, errors) = y(&Table::average(&[a, b.clone()], Some(&[3.0, 1.0])).unwrap());
        assert!((values[0] - 11.5).abs() < 1e-12 && (errors[0] - 3.0_f64.hypot(2.0) / 4.0).abs() < 1e-15);
        let plain: Vec<Table> = [1.0, 2.0, 6.0].iter().map(|v| table(&[1.0], &[*v], None)).collect();
        let (values, errors) = y(&Table::average(&plain, None).unwrap());
        // The standard error of the mean of three: √(7/3).
        assert!(values[0] == 3.0 && (errors[0] - (7.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!(Table::average(&[b], Some(&[1.0, 2.0])).unwrap_err().to_string().contains("1 numbers"));
    }

    #[test]
    fn parts_ranges_and_own_columns() {
        let all = table(&[1.0, 2.0, 3.0, 4.0], &[5.0, 6.0, 7.0, 8.0], None);
        let hz = |v: f64| Quantity::new(v, Dimension::FREQUENCY);
        assert_eq!(y(&all.within("f", hz(2.0), hz(3.0)).unwrap()).0, [6.0, 7.0]);
        assert_eq!(y(&all.part(1, 4).unwrap()).0, [6.0, 7.0, 8.0]);
        assert!(all.part(3, 9).unwrap_err().to_string().contains("the table has 4"));
        let squared = all.column("i").unwrap().with(Operation::Times, all.column("i").unwrap()).unwrap();
        let more = all.with("square", squared).unwrap();
        assert_eq!(more.column("square").unwrap().values[3], 64.0);
        assert!(more.column("cube").unwrap_err().to_string().contains("it has `f`, `i`, `square`"));
        assert_eq!(more.only(&["square".to_owned()]).unwrap().columns().len(), 2);
        let record = more.to_record("t");
        assert_eq!(record.columns[2].si_unit, "A^2");
    }

    #[test]
    fn columns_of_errors_go_into_what_they_are_errors_of() {
        let column = |name: &str, v: f64| Column::new(name, Numbers::new(vec![v], Dimension::NONE));
        let table = Table::new(vec![column("x", 1.0), column("y", 2.0), column("y_error", 0.1)], 1).unwrap();
        assert_eq!(table.columns().len(), 2);
        assert_eq!(table.curve(None).unwrap().sigmas, Some(vec![0.1]));
        assert_eq!(table.to_record("t").columns.len(), 3);
    }
}
