//! Tables of numbers in .csv files: one line of names, then numbers. Lines that begin with `#` are comments.

use std::path::Path;

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    names: Vec<String>,
    columns: Vec<Vec<f64>>,
    /// Whether what was exported beside it says that two channels were swept.
    two_axes: bool,
}

impl Table {
    /// Reads a file.
    ///
    /// # Errors
    /// One sentence with the line.
    pub fn read(path: &Path) -> Result<Self, String> {
        let text =
            std::fs::read_to_string(path).map_err(|e| format!("`{}` can't be read: {e}", path.display()))?;
        let table = Self::parse(&text).map_err(|reason| format!("`{}`: {reason}", path.display()))?;
        Ok(Self { two_axes: has_slow_axis(&path.with_extension("json")), ..table })
    }

    fn parse(text: &str) -> Result<Self, String> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .flexible(true)
            .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let mut records = reader.records().map(|record| record.map_err(|e| e.to_string()));
        let header = records.find(|record| record.as_ref().map_or(true, |r| !is_blank(r)));
        let names: Vec<String> = header.ok_or("it is empty")??.iter().map(str::to_owned).collect();
        let mut columns = vec![Vec::new(); names.len()];
        for record in records {
            let record = record?;
            if is_blank(&record) {
                continue;
            }
            let line = record.position().map_or(0, csv::Position::line);
            if record.len() != names.len() {
                let (cells, wanted) = (record.len(), names.len());
                return Err(format!("line {line} has {cells} cells, the first line has {wanted}"));
            }
            for (column, cell) in columns.iter_mut().zip(&record) {
                column.push(cell.parse().map_err(|_| format!("line {line}: `{cell}` is no number"))?);
            }
        }
        Ok(Self { names, columns, two_axes: false })
    }

    /// A column by its name, or by its name without the unit behind it.
    ///
    /// # Errors
    /// The names that there are; or that several are meant.
    pub fn column(&self, name: &str) -> Result<Column<'_>, String> {
        let found = match self.names.iter().position(|n| n == name) {
            Some(found) => found,
            None => {
                let bare = (0..self.names.len()).filter(|i| bare(&self.names[*i]) == name);
                match bare.collect::<Vec<_>>().as_slice() {
                    [one] => *one,
                    [] => return Err(format!("there is no column `{name}`; there are {}", self.all())),
                    _ => return Err(format!("several columns are named `{name}`; there are {}", self.all())),
                }
            }
        };
        Ok(self.at(found))
    }

    /// What was swept and what was read first, in a table that this program has exported: a sweep over one
    /// channel, or a trace.
    pub fn exported(&self) -> Option<(Column<'_>, Column<'_>)> {
        let names: Vec<&str> = self.names.iter().map(String::as_str).collect();
        match names.as_slice() {
            ["i", "time (s)", _, _, ..] if !self.two_axes => Some((self.at(2), self.at(3))),
            ["time (s)", _] => Some((self.at(0), self.at(1))),
            _ => None,
        }
    }

    fn at(&self, i: usize) -> Column<'_> {
        Column { name: &self.names[i], values: &self.columns[i] }
    }

    /// The names, for messages.
    pub fn all(&self) -> String {
        self.names.join(", ")
    }
}

/// One column of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column<'t> {
    /// Its name as in the first line.
    pub name: &'t str,
    /// Its numbers.
    pub values: &'t [f64],
}

impl<'t> Column<'t> {
    /// Its name without the unit.
    pub fn bare(&self) -> &'t str {
        bare(self.name)
    }

    /// The unit in the brackets behind its name; empty where there is none.
    pub fn unit(&self) -> &'t str {
        let inside = self.name.split_once(['(', '[']).map_or("", |(_, rest)| rest);
        inside.trim_end().strip_suffix([')', ']']).unwrap_or("").trim()
    }
}

/// A line of nothing but blanks.
fn is_blank(record: &csv::StringRecord) -> bool {
    record.len() == 1 && record[0].is_empty()
}

/// Whether a sweep that was exported with this description has a second axis.
fn has_slow_axis(path: &Path) -> bool {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    serde_json::from_str::<serde_json::Value>(&text).is_ok_and(|told| told["slow"].is_object())
}

fn bare(name: &str) -> &str {
    name.split([' ', '(', '[']).next().unwrap_or(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_read_and_faults_have_their_line() {
        let table = Table::parse("# made up\nx (Hz),y\n1,2\n3,4e-3\n").unwrap();
        let x = table.column("x").unwrap();
        assert_eq!((x.values, x.bare(), x.unit()), ([1.0, 3.0].as_slice(), "x", "Hz"));
        assert_eq!(table.column("y").unwrap().values, [2.0, 4e-3]);
        assert_eq!(table.column("y").unwrap().unit(), "");
        let twice = Table::parse("v (mV),v (V)\n1,2\n").unwrap();
        assert!(twice.column("v").unwrap_err().starts_with("several columns are named `v`"));
        assert_eq!(twice.column("v (V)").unwrap().values, [2.0]);
        assert!(table.column("z").unwrap_err().contains("there are x (Hz), y"));
        assert_eq!(Table::parse("x,y\n1\n").unwrap_err(), "line 2 has 1 cells, the first line has 2");
        assert_eq!(Table::parse("x\nmany\n").unwrap_err(), "line 2: `many` is no number");
        assert_eq!(Table::parse("").unwrap_err(), "it is empty");
        assert_eq!(Table::parse("\u{feff}\r\n  \r\nx\r\n1\r\n\r\n").unwrap().columns, [[1.0]]);
        // RFC 4180, section 2, points 6 and 7: a name with a comma and quotes in it.
        let quoted = Table::parse("\"gate, \"\"left\"\" (V)\",y\n\"1\",2\n").unwrap();
        assert_eq!(quoted.all(), "gate, \"left\" (V), y");
        assert_eq!(quoted.columns, [[1.0], [2.0]]);
    }
}
