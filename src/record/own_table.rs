//! Tables that a sequence has made of what it measured.

use serde::{Deserialize, Deserializer, Serialize};
use std::sync::Arc;

/// Tables with at most so many numbers stand in their entry, where SQL can read them; longer ones in `bulk`.
const MOST_IN_ENTRY: usize = 20_000;

/// A table of numbers.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct OwnTable {
    /// A word for it.
    pub name: String,
    /// Its columns.
    pub columns: Vec<OwnColumn>,
    /// Number of rows.
    pub rows: u64,
    /// The numbers row by row, SI; none where they stand in `bulk`, column by column.
    #[serde(default, skip_serializing_if = "Vec::is_empty", deserialize_with = "rows_of_numbers")]
    pub numbers: Vec<Vec<f64>>,
    /// All numbers column by column, on their way into `bulk`.
    #[serde(skip)]
    pub bulk: Arc<[f64]>,
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OwnColumn {
    /// Its name; the standard errors of a column stand in one called like it with `_error` behind.
    pub name: String,
    /// SI unit of its numbers; empty for plain numbers.
    pub si_unit: String,
}

impl OwnTable {
    /// Of columns of equal length.
    ///
    /// # Panics
    /// If their lengths differ: whoever makes a table sees to that.
    pub fn new(name: String, columns: Vec<(OwnColumn, &[f64])>) -> Self {
        let rows = columns.first().map_or(0, |(_, numbers)| numbers.len());
        assert!(
            columns.iter().all(|(_, numbers)| numbers.len() == rows),
            "columns of one table are equally long"
        );
        let all = || columns.iter().map(|(_, numbers)| *numbers);
        let few = rows * columns.len() <= MOST_IN_ENTRY;
        let numbers = if few {
            (0..rows).map(|i| all().map(|column| column[i]).collect()).collect()
        } else {
            Vec::new()
        };
        let bulk = if few { Arc::default() } else { all().flatten().copied().collect() };
        let columns = columns.into_iter().map(|(column, _)| column).collect();
        Self { name, columns, rows: rows as u64, numbers, bulk }
    }

    /// The numbers column by column, from the entry or from what `bulk` has of it.
    pub fn by_column(&self, bulk: &[f64]) -> Vec<Vec<f64>> {
        let rows = usize::try_from(self.rows).unwrap_or(0);
        let width = self.columns.len();
        if bulk.len() == rows * width && self.numbers.is_empty() {
            return bulk.chunks(rows.max(1)).map(<[f64]>::to_vec).collect();
        }
        let of = |k: usize| self.numbers.iter().map(|row| row.get(k).copied().unwrap_or(f64::NAN)).collect();
        (0..width).map(of).collect()
    }
}

/// JSON has no form for what is no number.
fn rows_of_numbers<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Vec<f64>>, D::Error> {
    let read = Vec::<Vec<Option<f64>>>::deserialize(deserializer)?;
    Ok(read.into_iter().map(|row| row.into_iter().map(|v| v.unwrap_or(f64::NAN)).collect()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_tables_stand_in_their_entry_and_long_ones_in_bulk() {
        let column = |name: &str| OwnColumn { name: name.to_owned(), si_unit: "Hz".to_owned() };
        for rows in [3, 15_000] {
            let x: Vec<f64> = (0..rows).map(f64::from).collect();
            let mut y: Vec<f64> = x.iter().map(|x| 0.1 * x).collect();
            y[1] = f64::NAN;
            let table = OwnTable::new("t".to_owned(), vec![(column("x"), &x), (column("y"), &y)]);
            assert_eq!(table.numbers.is_empty(), rows > 10_000);
            let text = serde_json::to_string(&table).unwrap();
            let back: OwnTable = serde_json::from_str(&text).unwrap();
            let columns = back.by_column(&table.bulk);
            assert_eq!(columns[0], x);
            assert!(columns[1][1].is_nan() && columns[1][2].to_bits() == y[2].to_bits());
        }
    }
}
