//! A plain file of readings: one column of times, one of heights, if wanted one of uncertainties.
//!
//! The first line names the columns; the unit is in the name. Columns are separated by comma,
//! semicolon or tab, whichever the first line uses. Empty lines and lines that begin with # do
//! not count. Anything else that is not understood is refused with line and column.

use super::{Series, SettlingError};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Time,
    Height,
    Uncertainty,
}

/// Column names with the factor to hours or millimetres.
const COLUMNS: [(&str, Kind, f64); 12] = [
    ("time_h", Kind::Time, 1.0),
    ("time_s", Kind::Time, 1.0 / 3600.0),
    ("time_min", Kind::Time, 1.0 / 60.0),
    ("time_d", Kind::Time, 24.0),
    ("height_mm", Kind::Height, 1.0),
    ("height_cm", Kind::Height, 10.0),
    ("height_m", Kind::Height, 1000.0),
    ("height_in", Kind::Height, 25.4),
    ("u_mm", Kind::Uncertainty, 1.0),
    ("u_cm", Kind::Uncertainty, 10.0),
    ("u_m", Kind::Uncertainty, 1000.0),
    ("u_in", Kind::Uncertainty, 25.4),
];

/// Cells of a line with the character at which each begins, from 1.
fn cells(line: &str, separator: char) -> Vec<(usize, &str)> {
    let mut column = 1;
    line.split(separator)
        .map(|cell| {
            let lead = cell.chars().take_while(|c| c.is_whitespace()).count();
            let at = column + lead;
            column += cell.chars().count() + 1;
            let inner = cell.trim();
            (
                at,
                inner
                    .strip_prefix('"')
                    .and_then(|c| c.strip_suffix('"'))
                    .map_or(inner, str::trim),
            )
        })
        .collect()
}

/// Reads the text of a file; `file` is its name, for messages.
///
/// # Errors
/// Unknown, missing or repeated columns, rows of another length, cells that are no finite number,
/// no rows at all.
pub fn read_csv(text: &str, file: &str) -> Result<Series, SettlingError> {
    let mut lines = text
        .trim_start_matches('\u{feff}')
        .lines()
        .enumerate()
        .map(|(i, l)| (i + 1, l.trim_end()))
        .filter(|(_, l)| !l.trim().is_empty() && !l.trim_start().starts_with('#'));
    let Some((line, header)) = lines.next() else {
        return Err(SettlingError::CsvEmpty { file: file.into() });
    };
    let separator = [';', '\t']
        .into_iter()
        .find(|&s| header.contains(s))
        .unwrap_or(',');
    let header_error = |column: usize, found: &str| SettlingError::CsvHeader {
        file: file.into(),
        line,
        column,
        found: found.into(),
    };
    let mut columns: Vec<(Kind, f64)> = Vec::new();
    let names = cells(header, separator);
    for &(at, name) in &names {
        let Some(&(_, kind, factor)) = COLUMNS.iter().find(|(known, ..)| *known == name) else {
            return Err(header_error(at, name));
        };
        if columns.iter().any(|(k, _)| *k == kind) {
            return Err(header_error(at, name));
        }
        columns.push((kind, factor));
    }
    for needed in [Kind::Time, Kind::Height] {
        if !columns.iter().any(|(k, _)| *k == needed) {
            return Err(header_error(header.chars().count() + 1, ""));
        }
    }
    let mut series = Series::default();
    let mut uncertainties = Vec::new();
    for (line, row) in lines {
        let found = cells(row, separator);
        if found.len() != columns.len() {
            let column = found.get(columns.len()).or(found.last()).map_or(1, |c| c.0);
            let (found, expected) = (found.len(), columns.len());
            return Err(SettlingError::CsvCells {
                file: file.into(),
                line,
                column,
                found,
                expected,
            });
        }
        for (&(column, cell), (kind, factor)) in found.iter().zip(&columns) {
            // Finite also in the unit that it is kept in.
            let number = cell.parse::<f64>().ok().map(|v| v * factor);
            let Some(value) = number.filter(|v| v.is_finite()) else {
                return Err(SettlingError::CsvNumber {
                    file: file.into(),
                    line,
                    column,
                    found: cell.into(),
                });
            };
            match kind {
                Kind::Time => series.time_h.push(value),
                Kind::Height => series.height_mm.push(value),
                Kind::Uncertainty => uncertainties.push(value),
            }
        }
    }
    if series.time_h.is_empty() {
        return Err(SettlingError::CsvEmpty { file: file.into() });
    }
    if !uncertainties.is_empty() {
        series.u_mm = Some(uncertainties);
    }
    Ok(series)
}
