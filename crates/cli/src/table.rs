//! Plain aligned columns for the terminal.

/// Which side a column's cells stand on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Right,
}

/// Columns with headings; cells align by character.
#[derive(Debug)]
pub(crate) struct Table {
    columns: Vec<(String, Side)>,
    rows: Vec<Vec<String>>,
}

impl Table {
    pub(crate) fn new(columns: &[(&str, Side)]) -> Self {
        let columns = columns
            .iter()
            .map(|(name, side)| ((*name).to_owned(), *side))
            .collect();
        Self {
            columns,
            rows: Vec::new(),
        }
    }

    pub(crate) fn row(&mut self, cells: Vec<String>) {
        debug_assert_eq!(cells.len(), self.columns.len());
        self.rows.push(cells);
    }

    /// The table, each line indented by two spaces.
    pub(crate) fn render(&self) -> String {
        let width = |column: usize| {
            let cells = self.rows.iter().map(|row| row[column].chars().count());
            cells
                .chain([self.columns[column].0.chars().count()])
                .max()
                .unwrap_or(0)
        };
        let widths: Vec<usize> = (0..self.columns.len()).map(width).collect();
        let headings: Vec<String> = self.columns.iter().map(|(name, _)| name.clone()).collect();
        let rule: Vec<String> = widths.iter().map(|width| "─".repeat(*width)).collect();
        let lines = [&headings, &rule].into_iter().chain(&self.rows);
        lines.map(|cells| self.line(cells, &widths)).collect()
    }

    fn line(&self, cells: &[String], widths: &[usize]) -> String {
        let mut line = String::new();
        for ((cell, width), (_, side)) in cells.iter().zip(widths).zip(&self.columns) {
            let padding = " ".repeat(width - cell.chars().count());
            let padded = match side {
                Side::Left => format!("{cell}{padding}"),
                Side::Right => format!("{padding}{cell}"),
            };
            line.push_str("  ");
            line.push_str(&padded);
        }
        format!("{}\n", line.trim_end())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_align_by_character_not_by_byte() {
        let mut table = Table::new(&[("name", Side::Left), ("µg", Side::Right)]);
        table.row(vec!["é".to_owned(), "1.5".to_owned()]);
        table.row(vec!["long name".to_owned(), "12".to_owned()]);
        let expected = "  name        µg\n  ─────────  ───\n  é          1.5\n  long name   12\n";
        assert_eq!(table.render(), expected);
    }
}
