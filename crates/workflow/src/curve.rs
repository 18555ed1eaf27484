//! Fits a calibration table: the curve under each weighting, back-calculated values, limits, concentrations read back.

use serde::Serialize;
use spotwright_assay::calibration::{
    Curve, InverseOutcome, critical_value, detection_limit, fit_curve, inverse_prediction,
    quantification_limit,
};
use spotwright_domain::method::{CurveModel, Weighting};
use std::path::{Path, PathBuf};

/// Probability of an error of the first kind in the limits of detection, as DIN 32645 has it.
const LIMIT_ALPHA: f64 = 0.01;
/// Relative confidence half-width 1/k that defines the quantification limit (DIN 32645).
const QUANTIFICATION_K: f64 = 3.0;
/// Confidence of concentrations read back.
const READING_ALPHA: f64 = 0.05;

/// Which columns and rows of the table, and which curve.
#[derive(Debug, Clone)]
pub struct CurveRequest {
    /// Column of the known amounts; `None`: the first column that holds numbers only.
    pub x: Option<String>,
    /// Column of the responses; `None`: the next column that holds numbers only.
    pub y: Option<String>,
    /// Keep only rows whose column has this text.
    pub only: Vec<(String, String)>,
    /// Shape.
    pub model: CurveModel,
    /// Weighting; `None`: all three.
    pub weighting: Option<Weighting>,
    /// Responses to read concentrations back for.
    pub readings: Vec<f64>,
}

/// A table, fitted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveReport {
    /// The file.
    pub file: String,
    /// Column of the known amounts.
    pub x: String,
    /// Column of the responses.
    pub y: String,
    /// Rows with both numbers.
    pub points: usize,
    /// Lines left out because a number is missing there.
    pub lines_without_numbers: Vec<u64>,
    /// One fit a weighting.
    pub fits: Vec<CurveFit>,
}

/// One fit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveFit {
    /// Shape.
    pub model: CurveModel,
    /// Weighting.
    pub weighting: Weighting,
    /// Points at zero, left out because 1/x has no meaning there.
    pub zero_points_left_out: usize,
    /// Why there is no curve; `None`: there is one.
    pub failure: Option<String>,
    /// Coefficients, constant first.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Weighted residual standard error.
    pub residual_standard_deviation: Option<f64>,
    /// Degrees of freedom.
    pub degrees_of_freedom: Option<usize>,
    /// Coefficient of determination.
    pub r_squared: Option<f64>,
    /// Every point.
    pub points: Vec<CurvePoint>,
    /// Sum of absolute relative errors (%): the smaller, the better the weighting (CAL-01).
    pub sum_absolute_relative_error_pct: f64,
    /// Critical value at 1 % (DIN 32645), unweighted straight lines only.
    pub critical_value: Option<f64>,
    /// Detection limit at 1 % and 1 % (DIN 32645), unweighted straight lines only.
    pub detection_limit: Option<f64>,
    /// Quantification limit at 1 %, k = 3 (DIN 32645), unweighted straight lines only.
    pub quantification_limit: Option<f64>,
    /// Concentrations read back.
    pub readings: Vec<CurveReading>,
}

/// One point of a fit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// Known amount.
    pub x: f64,
    /// Response.
    pub y: f64,
    /// Amount read back from the curve; `None`: none.
    pub back_calculated: Option<f64>,
    /// Read back against known (%); `None` at zero.
    pub relative_error_pct: Option<f64>,
}

/// A concentration read back.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveReading {
    /// Response.
    pub y: f64,
    /// Concentration; `None`: none.
    pub x: Option<f64>,
    /// Its standard error.
    pub standard_error: Option<f64>,
    /// Half-width of its 95 % confidence interval, for one reading weighted as a calibrator of this concentration.
    pub half_width_95: Option<f64>,
    /// Why there is none, or that it lies outside the table's range.
    pub remark: Option<String>,
}

/// Why a table could not be fitted.
#[derive(Debug, thiserror::Error)]
pub enum CurveTableError {
    /// The file could not be read.
    #[error("{}: cannot be read: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: csv::Error,
    },
    /// A named column does not exist.
    #[error("{}: no column {name:?}; the header line has {}", path.display(), columns.join(", "))]
    NoColumn {
        /// The file.
        path: PathBuf,
        /// The name asked for.
        name: String,
        /// The names there are.
        columns: Vec<String>,
    },
    /// No two columns of numbers.
    #[error("{}: needs two columns of numbers, found {}; name them with --x and --y", path.display(), columns.len())]
    NotTwoColumns {
        /// The file.
        path: PathBuf,
        /// Columns of numbers found.
        columns: Vec<String>,
    },
    /// A cell is neither a number nor empty.
    #[error("{}, line {line}: {text:?} in column {column} is not a number; leave the cell empty or write NA when there is none", path.display())]
    NotANumber {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: u64,
        /// The column.
        column: String,
        /// What stands there.
        text: String,
    },
    /// Fewer rows than any curve needs.
    #[error("{}: {found} row{} with both numbers; a curve needs at least 3", path.display(), if *found == 1 { "" } else { "s" })]
    TooFewRows {
        /// The file.
        path: PathBuf,
        /// Rows found.
        found: usize,
    },
}

struct Table {
    columns: Vec<String>,
    /// Line and cells.
    rows: Vec<(u64, Vec<String>)>,
}

/// Reads a calibration table and fits it.
///
/// # Errors
/// When the file is unreadable, columns are missing or a cell is no number. A curve that cannot be fitted is reported
/// in its [`CurveFit::failure`].
pub fn fit_table(path: &Path, request: &CurveRequest) -> Result<CurveReport, CurveTableError> {
    let table = read_table(path)?;
    let (x, y) = choose_columns(path, &table, request)?;
    let mut points = Vec::new();
    let mut lines_without_numbers = Vec::new();
    for (line, cells) in kept_rows(path, &table, request)? {
        match (
            number(path, &table, line, cells, x)?,
            number(path, &table, line, cells, y)?,
        ) {
            (Some(x), Some(y)) => points.push((x, y)),
            _ => lines_without_numbers.push(line),
        }
    }
    if points.len() < 3 {
        return Err(CurveTableError::TooFewRows {
            path: path.to_owned(),
            found: points.len(),
        });
    }
    let weightings = match request.weighting {
        Some(weighting) => vec![weighting],
        None => vec![Weighting::None, Weighting::InverseX, Weighting::InverseXSquared],
    };
    Ok(CurveReport {
        file: path.display().to_string(),
        x: table.columns[x].clone(),
        y: table.columns[y].clone(),
        points: points.len(),
        lines_without_numbers,
        fits: weightings
            .into_iter()
            .map(|weighting| fit(&points, request, weighting))
            .collect(),
    })
}

fn fit(points: &[(f64, f64)], request: &CurveRequest, weighting: Weighting) -> CurveFit {
    let kept: Vec<(f64, f64)> = points
        .iter()
        .copied()
        .filter(|(x, _)| weighting == Weighting::None || *x > 0.0)
        .collect();
    let mut report = CurveFit {
        model: request.model,
        weighting,
        zero_points_left_out: points.len() - kept.len(),
        failure: None,
        coefficients: Vec::new(),
        standard_errors: Vec::new(),
        residual_standard_deviation: None,
        degrees_of_freedom: None,
        r_squared: None,
        points: Vec::new(),
        sum_absolute_relative_error_pct: 0.0,
        critical_value: None,
        detection_limit: None,
        quantification_limit: None,
        readings: Vec::new(),
    };
    match fit_curve(&kept, request.model, weighting) {
        Ok(curve) => fill(&mut report, &kept, &curve, request, weighting),
        Err(error) => report.failure = Some(error.to_string()),
    }
    report
}

fn fill(
    report: &mut CurveFit,
    points: &[(f64, f64)],
    curve: &Curve,
    request: &CurveRequest,
    weighting: Weighting,
) {
    let size = curve.fit.coefficients.len();
    report.coefficients.clone_from(&curve.fit.coefficients);
    report.standard_errors = (0..size).map(|k| curve.fit.standard_error(k)).collect();
    report.residual_standard_deviation = Some(curve.fit.residual_standard_error);
    report.degrees_of_freedom = Some(curve.fit.degrees_of_freedom);
    report.r_squared = curve.fit.r_squared;
    report.points = points.iter().map(|(x, y)| point(curve, *x, *y)).collect();
    let errors = report.points.iter().filter_map(|point| point.relative_error_pct);
    report.sum_absolute_relative_error_pct = errors.map(f64::abs).sum();
    if weighting == Weighting::None && request.model == CurveModel::Linear {
        report.critical_value = critical_value(curve, 1, LIMIT_ALPHA).ok();
        report.detection_limit = detection_limit(curve, 1, LIMIT_ALPHA).ok();
        report.quantification_limit = quantification_limit(curve, 1, LIMIT_ALPHA, QUANTIFICATION_K).ok();
    }
    report.readings = request
        .readings
        .iter()
        .map(|y| reading(curve, *y, weighting))
        .collect();
}

fn point(curve: &Curve, x: f64, y: f64) -> CurvePoint {
    let back_calculated = match curve.inverse(y) {
        InverseOutcome::Value(value) => Some(value),
        _ => None,
    };
    let relative_error_pct = back_calculated
        .filter(|_| x != 0.0)
        .map(|found| 100.0 * (found - x) / x);
    CurvePoint {
        x,
        y,
        back_calculated,
        relative_error_pct,
    }
}

fn reading(curve: &Curve, y: f64, weighting: Weighting) -> CurveReading {
    // A reading scatters as a calibrator of its concentration would, so it has that weight.
    let weight = match (weighting, curve.inverse(y)) {
        (Weighting::InverseX, InverseOutcome::Value(x)) if x > 0.0 => 1.0 / x,
        (Weighting::InverseXSquared, InverseOutcome::Value(x)) if x > 0.0 => 1.0 / (x * x),
        (Weighting::None, _) => 1.0,
        (_, InverseOutcome::Value(x)) => {
            return CurveReading {
                y,
                x: Some(x),
                standard_error: None,
                half_width_95: None,
                remark: Some("not above zero, where this weight has no meaning".to_owned()),
            };
        }
        _ => 1.0,
    };
    match inverse_prediction(curve, y, 1, weight, READING_ALPHA) {
        Ok(found) => CurveReading {
            y,
            x: Some(found.value),
            standard_error: Some(found.standard_error),
            half_width_95: Some(found.half_width),
            remark: (found.value < curve.range[0] || found.value > curve.range[1]).then(|| {
                format!(
                    "outside the table's range {} to {}",
                    curve.range[0], curve.range[1]
                )
            }),
        },
        Err(error) => CurveReading {
            y,
            x: None,
            standard_error: None,
            half_width_95: None,
            remark: Some(error.to_string()),
        },
    }
}

fn read_table(path: &Path) -> Result<Table, CurveTableError> {
    let trouble = |source| CurveTableError::Read {
        path: path.to_owned(),
        source,
    };
    let bytes = std::fs::read(path).map_err(|error| trouble(error.into()))?;
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let header = text.split(|byte| *byte == b'\n').next().unwrap_or_default();
    let count = |wanted: u8| header.iter().filter(|byte| **byte == wanted).count();
    let delimiter = [b',', b';', b'\t']
        .into_iter()
        .max_by_key(|byte| (count(*byte), *byte == b','))
        .unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .from_reader(text);
    let columns = reader
        .headers()
        .map_err(trouble)?
        .iter()
        .map(str::to_owned)
        .collect();
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(trouble)?;
        let line = record.position().map_or(0, csv::Position::line);
        let cells = record.iter().map(|cell| {
            if delimiter == b';' {
                cell.replace(',', ".")
            } else {
                cell.to_owned()
            }
        });
        rows.push((line, cells.collect()));
    }
    Ok(Table { columns, rows })
}

/// A cell's number. `Some(None)`: empty or NA. `None`: neither.
fn as_number(cell: &str) -> Option<Option<f64>> {
    if cell.is_empty() || cell == "NA" {
        return Some(None);
    }
    cell.parse::<f64>()
        .ok()
        .filter(|value| value.is_finite())
        .map(Some)
}

fn number(
    path: &Path,
    table: &Table,
    line: u64,
    cells: &[String],
    column: usize,
) -> Result<Option<f64>, CurveTableError> {
    as_number(&cells[column]).ok_or_else(|| CurveTableError::NotANumber {
        path: path.to_owned(),
        line,
        column: table.columns[column].clone(),
        text: cells[column].clone(),
    })
}

fn column(path: &Path, table: &Table, name: &str) -> Result<usize, CurveTableError> {
    table
        .columns
        .iter()
        .position(|column| column == name)
        .ok_or_else(|| CurveTableError::NoColumn {
            path: path.to_owned(),
            name: name.to_owned(),
            columns: table.columns.clone(),
        })
}

fn choose_columns(
    path: &Path,
    table: &Table,
    request: &CurveRequest,
) -> Result<(usize, usize), CurveTableError> {
    let numeric = |column: &usize| {
        let cells = table.rows.iter().map(|(_, cells)| as_number(&cells[*column]));
        cells.clone().all(|cell| cell.is_some()) && cells.flatten().flatten().next().is_some()
    };
    let named = |name: &Option<String>| name.as_ref().map(|name| column(path, table, name)).transpose();
    let (x, y) = (named(&request.x)?, named(&request.y)?);
    let free: Vec<usize> = (0..table.columns.len())
        .filter(numeric)
        .filter(|column| Some(*column) != x && Some(*column) != y)
        .collect();
    let mut free_columns = free.iter().copied();
    match (
        x.or_else(|| free_columns.next()),
        y.or_else(|| free_columns.next()),
    ) {
        (Some(x), Some(y)) => Ok((x, y)),
        _ => Err(CurveTableError::NotTwoColumns {
            path: path.to_owned(),
            columns: free.iter().map(|column| table.columns[*column].clone()).collect(),
        }),
    }
}

fn kept_rows<'t>(
    path: &Path,
    table: &'t Table,
    request: &CurveRequest,
) -> Result<Vec<(u64, &'t [String])>, CurveTableError> {
    let mut wanted = Vec::new();
    for (name, text) in &request.only {
        wanted.push((column(path, table, name)?, text));
    }
    let keeps = |cells: &[String]| wanted.iter().all(|(column, text)| cells[*column] == **text);
    let rows = table.rows.iter().filter(|(_, cells)| keeps(cells));
    Ok(rows.map(|(line, cells)| (*line, cells.as_slice())).collect())
}
