//! Tables of numbers in .csv files: one line of names, then numbers. Lines that begin with `#` are comments.

use std::path::Path;

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    names: Vec<String>,
    columns: Vec<Vec<f64>>,
}

impl Table {
    /// Reads a file.
    ///
    /// # Errors
    /// One sentence with the line.
    pub fn read(path: &Path) -> Result<Self, String> {
        let text =
            std::fs::read_to_string(path).map_err(|e| format!("`{}` can't be read: {e}", path.display()))?;
        Self::parse(&text).map_err(|reason| format!("`{}`: {reason}", path.display()))
    }

    fn parse(text: &str) -> Result<Self, String> {
        let lines = text.trim_start_matches('\u{feff}').lines().enumerate();
        let mut lines = lines.filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
        let (_, header) = lines.next().ok_or("it is empty")?;
        let names: Vec<String> =
            header.split(',').map(|name| name.trim().trim_matches('"').to_owned()).collect();
        let mut columns = vec![Vec::new(); names.len()];
        for (number, line) in lines {
            let cells: Vec<&str> = line.split(',').collect();
            if cells.len() != names.len() {
                return Err(format!(
                    "line {} has {} cells, the first line has {}",
                    number + 1,
                    cells.len(),
                    names.len()
                ));
            }
            for (column, cell) in columns.iter_mut().zip(cells) {
                let value = cell.trim().trim_matches('"').parse();
                column
                    .push(value.map_err(|_| format!("line {}: `{}` is no number", number + 1, cell.trim()))?);
            }
        }
        Ok(Self { names, columns })
    }

    /// A column by its name, or by its name without the unit behind it.
    ///
    /// # Errors
    /// The names that there are.
    pub fn column(&self, name: &str) -> Result<&[f64], String> {
        let bare = |full: &str| full.split([' ', '(', '[']).next().unwrap_or(full).to_owned();
        let found = self
            .names
            .iter()
            .position(|n| n == name)
            .or_else(|| self.names.iter().position(|n| bare(n) == name));
        let found = found
            .ok_or_else(|| format!("there is no column `{name}`; there are {}", self.names.join(", ")))?;
        Ok(&self.columns[found])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_read_and_faults_have_their_line() {
        let table = Table::parse("# made up\nx (Hz),y\n1,2\n3,4e-3\n").unwrap();
        assert_eq!(table.column("x").unwrap(), [1.0, 3.0]);
        assert_eq!(table.column("y").unwrap(), [2.0, 4e-3]);
        assert!(table.column("z").unwrap_err().contains("there are x (Hz), y"));
        assert_eq!(Table::parse("x,y\n1\n").unwrap_err(), "line 2 has 1 cells, the first line has 2");
        assert_eq!(Table::parse("x\nmany\n").unwrap_err(), "line 2: `many` is no number");
        assert_eq!(Table::parse("").unwrap_err(), "it is empty");
    }
}
