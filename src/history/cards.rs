//! What a sequence is about, by its own words: the figures that show it.

use crate::quantity::significant;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// The figure that shows what a sequence is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Figure {
    /// Values over two axes.
    Map,
    /// Centres of spectra against field, with the proved law.
    Field,
    /// Results against a setting on axes of decades, with the power that fits them.
    Power,
    /// Results against a setting, with the straight line through them.
    Line,
    /// A histogram of a trace with its two levels.
    Levels,
    /// A trace, or a sweep.
    Trace,
    /// Rows of words and numbers.
    Table,
}

impl Figure {
    /// What is counted where so many were planned.
    pub fn counts(self) -> &'static str {
        match self {
            Self::Map | Self::Power | Self::Line | Self::Trace => "points",
            Self::Field => "fields",
            Self::Levels => "traces",
            Self::Table => "rows",
        }
    }

    /// Their words in sequences.
    pub const WORDS: [&'static str; 7] = ["map", "field", "power", "line", "levels", "trace", "table"];
    const ALL: [Self; 7] =
        [Self::Map, Self::Field, Self::Power, Self::Line, Self::Levels, Self::Trace, Self::Table];

    /// That of a word.
    pub fn of(word: &str) -> Option<Self> {
        Self::WORDS.iter().position(|known| *known == word).map(|i| Self::ALL[i])
    }
}

/// A column of a card: what it is, and the unit its numbers are printed in.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct CardColumn {
    /// What it is.
    pub name: String,
    /// Its unit; empty for plain numbers and for words.
    pub unit: String,
}

/// A card: one thing that a sequence is about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// What it shows, in a few words.
    pub title: String,
    /// How it is shown.
    pub figure: Figure,
    /// Number of the sweep, or of the entry of the trace, that it shows; none where it shows rows.
    pub source: Option<u64>,
    /// Columns of the rows.
    #[serde(default)]
    pub columns: Vec<CardColumn>,
    /// Rows of numbers in the units of the columns, or of words.
    #[serde(default)]
    pub rows: Vec<Vec<Value>>,
    /// How many rows, spectra or fields were planned.
    #[serde(default)]
    pub planned: Option<u64>,
    /// The result that it shows, in words: one number with its error, if there is one.
    #[serde(default)]
    pub says: String,
    /// When it was said last, s.
    #[serde(default)]
    pub at_s: f64,
    /// When it was said first, s.
    #[serde(default)]
    pub first_s: f64,
}

impl Card {
    /// From the body of a judgement `card`; none where it has another form.
    pub fn of(title: &str, body: &Value) -> Option<Self> {
        let card: Self = serde_json::from_value(body.clone()).ok()?;
        Some(Self { title: title.to_owned(), ..card })
    }

    /// What it shows, in words; none where it shows nothing yet, or only spectra, of which the verdict tells.
    pub fn in_words(&self) -> Option<String> {
        if !self.says.is_empty() {
            return Some(self.says.clone());
        }
        let of = |count: usize, one: &str, many: &str| match count {
            0 => None,
            1 => Some(format!("1 {one}")),
            _ => Some(format!("{count} {many}")),
        };
        match self.figure {
            Figure::Map if self.source.is_some() => Some("mapped".to_owned()),
            Figure::Map => {
                let mapped = of(self.rows.len(), "place mapped", "places mapped")?;
                Some(self.range(2).map_or(mapped.clone(), |range| format!("{mapped}, {range}")))
            }
            Figure::Power | Figure::Line => of(self.rows.len(), "point", "points"),
            Figure::Table => of(self.rows.len(), "row", "rows"),
            Figure::Levels => Some("histogram made".to_owned()),
            Figure::Trace => Some("measured".to_owned()),
            Figure::Field => None,
        }
    }

    /// From the least to the largest number of a column.
    fn range(&self, column: usize) -> Option<String> {
        let numbers = self.rows.iter().filter_map(|row| row.get(column)?.as_f64());
        let ends = numbers.fold(None, |ends: Option<(f64, f64)>, v| {
            Some(ends.map_or((v, v), |(low, high)| (low.min(v), high.max(v))))
        });
        let (low, high) = ends?;
        let of = self.columns.get(column)?;
        let unit = if of.unit.is_empty() { String::new() } else { format!(" {}", of.unit) };
        Some(format!("{} {} to {}{unit}", of.name, significant(low, 3), significant(high, 3)))
    }

    /// A column of numbers; what is no number is left out together with its row.
    pub fn numbers<const N: usize>(&self) -> Vec<[f64; N]> {
        let row = |row: &Vec<Value>| {
            let mut found = [0.0; N];
            for (i, place) in found.iter_mut().enumerate() {
                *place = row.get(i)?.as_f64()?;
            }
            Some(found)
        };
        self.rows.iter().filter_map(row).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_card_of_any_form_is_read_without_harm() {
        for body in
            [json!(null), json!({}), json!({ "figure": "poem" }), json!({ "figure": "map", "rows": 3 })]
        {
            assert_eq!(Card::of("t", &body), None);
        }
        let body =
            json!({ "title": "", "figure": "line", "source": null, "rows": [[1.0, 2.0], ["a", 1.0], [3.0]] });
        let card = Card::of("width", &body).unwrap();
        assert_eq!((card.title.as_str(), card.numbers::<2>()), ("width", vec![[1.0, 2.0]]));
        assert!(
            Figure::WORDS
                .iter()
                .all(|word| { Figure::of(word).is_some_and(|figure| json!(figure) == json!(word)) })
        );
    }
}
