//! Tables with each other: sums, differences, means, and one at the places of another.

use super::{Column, Table, TableError, told};
use crate::quantity::Quantity;
use crate::script::error::Said;
use crate::script::numbers::{Numbers, Operation};

/// Part of the range of an axis by which two tables may differ in it and still have the same places.
const SAME_PLACE: f64 = 1e-9;
/// What is done with tables at other places.
const BRING_TOGETHER: &str = "bring one to the places of the other first, `reference.at(table)`";

impl Table {
    fn same_places(&self, other: &Self) -> Result<(), TableError> {
        if self.axes != other.axes || self.rows() != other.rows() {
            let wrong = format!("the tables have {} and {} rows", self.rows(), other.rows());
            return told(Said::with(wrong, BRING_TOGETHER));
        }
        for (mine, theirs) in self.columns.iter().zip(other.columns.iter()).take(self.axes) {
            if mine.numbers.dimension != theirs.numbers.dimension {
                let (a, b) = (mine.numbers.dimension, theirs.numbers.dimension);
                return told(format!("one table goes along {a}, the other along {b}"));
            }
            let (least, most) = bounds(mine.numbers.known());
            let close = SAME_PLACE * (most - least).max(most.abs() * 1e-3);
            let apart = |(a, b): (&f64, &f64)| (a - b).abs() > close;
            if let Some(i) = mine.numbers.values.iter().zip(theirs.numbers.values.iter()).position(apart) {
                let (a, b) = (mine.numbers.values[i], theirs.numbers.values[i]);
                let (a, b) = (mine.numbers.quantity(a), mine.numbers.quantity(b));
                let wrong = format!("row {i} of `{}` is {a} in one table and {b} in the other", mine.name);
                return told(Said::with(wrong, BRING_TOGETHER));
            }
        }
        Ok(())
    }

    /// With another table, row by row: columns of one name go together; where each has a single one, these do.
    ///
    /// # Errors
    /// Other places along the axes, no common columns, units that do not fit.
    pub fn combined(&self, operation: Operation, other: &Self) -> Result<Self, TableError> {
        self.same_places(other)?;
        let (mine, theirs) = (&self.columns[self.axes..], &other.columns[other.axes..]);
        let mut columns = self.columns[..self.axes].to_vec();
        let single = mine.len() == 1 && theirs.len() == 1;
        for column in mine {
            let partner = theirs.iter().find(|partner| single || partner.name == column.name);
            let Some(partner) = partner else { continue };
            let numbers = column.numbers.with(operation, &partner.numbers)?;
            columns.push(Column { numbers, ..column.clone() });
        }
        if columns.len() == self.axes {
            return told("the tables have no column of one name beside their axes");
        }
        Ok(self.with_columns(columns))
    }

    /// With one value, in every column beside the axes.
    ///
    /// # Errors
    /// Units that do not fit.
    pub fn with_value(&self, operation: Operation, value: Quantity, first: bool) -> Result<Self, TableError> {
        let mut columns = self.columns.to_vec();
        for column in &mut columns[self.axes..] {
            column.numbers = column.numbers.with_value(operation, value, first)?;
        }
        Ok(self.with_columns(columns))
    }

    /// Its columns at other places along the axis, on straight lines between its own; beyond its ends there are gaps. The
    /// errors of the two neighbours follow as if they were independent.
    ///
    /// # Errors
    /// Places of another kind, a map, fewer than two rows.
    pub fn at(&self, places: &Numbers) -> Result<Self, TableError> {
        let axis = &self.columns[0];
        if self.axes != 1 {
            return told("only a table along one axis can be interpolated");
        }
        if places.dimension != axis.numbers.dimension {
            let (a, b) = (axis.numbers.dimension, places.dimension);
            return told(format!("the table goes along {a}, and the places are {b}"));
        }
        let mut order: Vec<usize> =
            (0..self.rows()).filter(|i| axis.numbers.values[*i].is_finite()).collect();
        order.sort_by(|a, b| axis.numbers.values[*a].total_cmp(&axis.numbers.values[*b]));
        if order.len() < 2 {
            return told("a table of fewer than two rows can't be interpolated");
        }
        let x = |k: usize| axis.numbers.values[order[k]];
        // For each place its neighbours and how far it lies on the way from the first to the second.
        let between: Vec<Option<(usize, usize, f64)>> = places
            .values
            .iter()
            .map(|place| {
                let inside = *place >= x(0) && *place <= x(order.len() - 1);
                let behind = order.partition_point(|i| axis.numbers.values[*i] <= *place);
                let k = behind.clamp(1, order.len() - 1);
                let step = x(k) - x(k - 1);
                let share = if step > 0.0 { (place - x(k - 1)) / step } else { 0.0 };
                inside.then_some((order[k - 1], order[k], share))
            })
            .collect();
        let mut columns = vec![Column { numbers: places.clone(), ..axis.clone() }];
        for column in &self.columns[1..] {
            let values = &column.numbers.values;
            let value = |place: &Option<(usize, usize, f64)>| match *place {
                // At a place of its own a neighbour that is a gap does no harm.
                Some((a, _, 0.0)) => values[a],
                Some((_, b, 1.0)) => values[b],
                Some((a, b, share)) => values[a] + share * (values[b] - values[a]),
                None => f64::NAN,
            };
            let mut numbers = Numbers::new(between.iter().map(value).collect(), column.numbers.dimension);
            if let Some(errors) = &column.numbers.errors {
                let error = |place: &Option<(usize, usize, f64)>| {
                    place.map_or(f64::NAN, |(a, b, share)| {
                        ((1.0 - share) * errors[a]).hypot(share * errors[b])
                    })
                };
                numbers = numbers.with_errors(between.iter().map(error).collect());
            }
            columns.push(Column { numbers, ..column.clone() });
        }
        Ok(Self { columns: columns.into(), axes: 1 })
    }

    /// The mean of tables with the same places. With `weights` by these; else by the errors, where all have some; else all
    /// count the same. The errors of the mean are those that follow; where no errors are known, and there are three tables
    /// or more, they come from how the tables differ. Gaps have no weight.
    ///
    /// # Errors
    /// No tables, other places, weights that are no weights.
    pub fn average(tables: &[Self], weights: Option<&[f64]>) -> Result<Self, TableError> {
        let Some(first) = tables.first() else { return told("there are no tables to average") };
        if weights.is_some_and(|weights| {
            weights.len() != tables.len() || weights.iter().any(|w| !(*w >= 0.0 && w.is_finite()))
        }) {
            return told(format!("the weights are {} numbers from zero, one for each table", tables.len()));
        }
        for table in &tables[1..] {
            first.same_places(table)?;
        }
        let mut columns = first.columns[..first.axes].to_vec();
        for column in &first.columns[first.axes..] {
            let all: Vec<&Numbers> =
                tables.iter().map(|table| table.column(&column.name)).collect::<Result<_, _>>()?;
            if let Some(other) = all.iter().find(|other| other.dimension != column.numbers.dimension) {
                let (name, a, b) = (&column.name, column.numbers.dimension, other.dimension);
                return told(format!("`{name}` is {a} in one table and {b} in another"));
            }
            columns.push(Column { numbers: mean_of(&all, weights), ..column.clone() });
        }
        Ok(first.with_columns(columns))
    }
}

/// The least and the most of some numbers.
pub fn bounds(numbers: impl Iterator<Item = f64>) -> (f64, f64) {
    numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}

/// The weighted mean of rows, number by number.
fn mean_of(all: &[&Numbers], weights: Option<&[f64]>) -> Numbers {
    let rows = all[0].values.len();
    let known = all.iter().all(|numbers| numbers.errors.is_some());
    let (mut means, mut errors) = (Vec::with_capacity(rows), Vec::with_capacity(rows));
    let scatters = !known && all.len() > 2;
    for i in 0..rows {
        let terms =
            all.iter().enumerate().filter(|(_, numbers)| !numbers.values[i].is_nan()).map(|(k, numbers)| {
                let error = numbers.errors.as_ref().map_or(f64::NAN, |errors| errors[i]);
                let weight = match weights {
                    Some(weights) => weights[k],
                    None if known => error.powi(-2),
                    None => 1.0,
                };
                (weight, numbers.values[i], error)
            });
        let sum: f64 = terms.clone().map(|(weight, ..)| weight).sum();
        let mean = terms.clone().map(|(weight, value, _)| weight * value).sum::<f64>() / sum;
        let square: f64 = if known {
            terms.clone().map(|(weight, _, error)| (weight * error).powi(2)).sum::<f64>() / (sum * sum)
        } else {
            // The variance of a weighted mean by the scatter about it; with equal weights that of the mean.
            let count = terms.clone().count() as f64;
            let scatter: f64 = terms.map(|(weight, value, _)| (weight * (value - mean)).powi(2)).sum();
            scatter / (sum * sum) * count / (count - 1.0)
        };
        means.push(mean);
        errors.push(square.sqrt());
    }
    let mean = Numbers::new(means, all[0].dimension);
    if known || scatters { mean.with_errors(errors) } else { mean }
}
