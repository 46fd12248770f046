//! `noctule fit`: the same fits as in a sequence, on a table.

use super::common::reject;
use super::table::{Column, Table};
use crate::analysis::fit::{self, Fit, FitError, Noise, Options};
use crate::quantity::significant;
use crate::script::handles::Measure;
use serde_json::{Map, Value, json};
use std::path::PathBuf;

/// Models by the names of the command line.
const MODELS: [&str; 6] = ["resonance", "lorentzian", "gaussian", "decay", "approach", "line"];

/// Arguments of `noctule fit`.
#[derive(Debug, clap::Args)]
pub struct FitCommand {
    /// A model (resonance, lorentzian, gaussian, decay, approach, line) and a .csv file; with --formula only the file.
    #[arg(required = true, num_args = 1..=2, value_names = ["MODEL", "FILE"])]
    words: Vec<String>,
    /// A model of your own, like "b1*(1-exp(-b2*x))".
    #[arg(long)]
    formula: Option<String>,
    /// Parameters of the formula with their starting values, like b1=500,b2=0.0001.
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true)]
    start: Vec<String>,
    /// Column of the predictor, with or without the unit behind its name; several times for several. Where it is left
    /// out: `x`, or in a table that was exported here what was swept. In a formula a single one may be called x.
    #[arg(long)]
    x: Vec<String>,
    /// Column of the response. Where it is left out: `y`, or in a table that was exported here the first reading.
    #[arg(long)]
    y: Option<String>,
    /// Column of the standard errors of the response.
    #[arg(long)]
    sigma: Option<String>,
    /// Parameters held at a value, like slope=0.
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true)]
    fix: Vec<String>,
    /// Ranges of parameters, like width=5e6..40e6.
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true)]
    within: Vec<String>,
    /// The noise: independent, outliers (some points lie far off), or slow (neighbouring points err together).
    #[arg(long, default_value = "independent", value_parser = ["independent", "outliers", "slow"])]
    noise: String,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl FitCommand {
    /// Runs the command.
    pub fn run(self) -> u8 {
        match self.fit() {
            Err(reason) => reject(&reason),
            Ok(fitted) if self.json => {
                println!("{}", as_json(&fitted));
                u8::from(!fitted.fit.converged)
            }
            Ok(fitted) => {
                println!("{}", as_text(&fitted).trim_end());
                u8::from(!fitted.fit.converged)
            }
        }
    }

    fn fit(&self) -> Result<Fitted, String> {
        let (model, file) = match (self.words.as_slice(), &self.formula) {
            ([file], Some(_)) => (None, file),
            ([model, file], None) => (Some(model.as_str()), file),
            ([_], None) => {
                return Err(format!("give a model ({}) before the file, or a --formula", MODELS.join(", ")));
            }
            _ => return Err("with --formula only the file is given, no model".to_owned()),
        };
        let table = Table::read(&PathBuf::from(file))?;
        let (columns, response) = self.columns(&table)?;
        let y = response.values;
        let fitted = |fit: Fit| Fitted::new(fit, &columns, response, self.formula.is_none());
        let mut options = Options::new();
        if let Some(sigma) = &self.sigma {
            options = options.sigmas(table.column(sigma)?.values);
        }
        for (name, value) in pairs(&self.fix)? {
            options = options.fix(&name, value);
        }
        for (name, low, high) in ranges(&self.within)? {
            options = options.bound(&name, low, high);
        }
        options = options.noise(match self.noise.as_str() {
            "outliers" => Noise::Outliers,
            "slow" => Noise::Slow,
            _ => Noise::Independent,
        });
        let start = pairs(&self.start)?;
        let told = |error: FitError| error.to_string();
        if let Some(formula) = &self.formula {
            let start: Vec<(&str, f64)> = start.iter().map(|(name, value)| (name.as_str(), *value)).collect();
            let named = named(formula, &columns, &table);
            return fit::formula_with(formula, &start, &named, y, &options).map(fitted).map_err(told);
        }
        for (name, value) in &start {
            options = options.start(name, *value);
        }
        let [x] = columns.as_slice() else { return Err("these models have one predictor".to_owned()) };
        let x = x.values;
        match model.unwrap_or_default() {
            "resonance" => fit::resonance(x, y, &options),
            "lorentzian" => fit::lorentzian(x, y, &options),
            "gaussian" => fit::gaussian(x, y, &options),
            "decay" => fit::decay(x, y, &options),
            "approach" => fit::approach(x, y, &options),
            "line" => fit::line(x, y, &options),
            other => {
                let hint =
                    crate::document::nearest(other, MODELS).map(|near| format!("; did you mean `{near}`?"));
                return Err(format!("there is no model `{other}`{}", hint.unwrap_or_default()));
            }
        }
        .map(fitted)
        .map_err(told)
    }

    /// The predictors and the response.
    fn columns<'t>(&self, table: &'t Table) -> Result<(Vec<Column<'t>>, Column<'t>), String> {
        let exported = table.exported();
        let chosen = |name: Option<&String>, usual: &str, own: Option<Column<'t>>| match (name, own) {
            (Some(name), _) => table.column(name),
            (None, Some(own)) => table.column(usual).or(Ok(own)),
            (None, None) => table.column(usual).map_err(|why| format!("{why}; choose with --{usual}")),
        };
        let x = match self.x.as_slice() {
            [] => vec![chosen(None, "x", exported.map(|(x, _)| x))?],
            several => several.iter().map(|name| table.column(name)).collect::<Result<_, _>>()?,
        };
        Ok((x, chosen(self.y.as_ref(), "y", exported.map(|(_, y)| y))?))
    }
}

/// The names of the predictors in a formula. A name with blanks can't be written there, so each goes without its
/// unit, and a single one is also `x` where no column is called so.
fn named<'t>(formula: &str, columns: &[Column<'t>], table: &Table) -> Vec<(&'t str, &'t [f64])> {
    let says_x = formula.split(|c: char| !c.is_alphanumeric() && c != '_').any(|word| word == "x");
    match columns {
        [one] if says_x && table.column("x").is_err() => vec![("x", one.values)],
        several => several.iter().map(|column| (column.bare(), column.values)).collect(),
    }
}

/// A fit with what it was made of.
struct Fitted {
    fit: Fit,
    x: Vec<String>,
    y: String,
    /// Units of the axis and of the values; empty where none are known.
    units: (String, String),
}

impl Fitted {
    fn new(fit: Fit, x: &[Column<'_>], y: Column<'_>, has_units: bool) -> Self {
        let unit = |column: Option<&Column<'_>>| column.map_or("", Column::unit).to_owned();
        let units = if has_units { (unit(x.first()), unit(Some(&y))) } else { Default::default() };
        Self { fit, x: x.iter().map(|c| c.name.to_owned()).collect(), y: y.name.to_owned(), units }
    }

    /// The unit of a parameter.
    fn unit(&self, name: &str) -> String {
        let (x, y) = (&self.units.0, &self.units.1);
        match Measure::of(name) {
            // What a level changes by is in decibels.
            Measure::ChangeOfX if x == "dBm" => "dB".to_owned(),
            Measure::X | Measure::ChangeOfX => x.clone(),
            Measure::Y => y.clone(),
            Measure::Slope if !x.is_empty() && !y.is_empty() => {
                format!("{y}/{}", if x == "dBm" { "dB" } else { x })
            }
            Measure::Slope | Measure::Plain => String::new(),
        }
    }
}

fn pairs(texts: &[String]) -> Result<Vec<(String, f64)>, String> {
    let fault = |text: &String| format!("`{text}` is not like name=number");
    texts
        .iter()
        .map(|text| {
            let (name, value) = text.split_once('=').ok_or_else(|| fault(text))?;
            let value = value.trim().parse().map_err(|_| fault(text))?;
            Ok((name.trim().to_owned(), value))
        })
        .collect()
}

fn ranges(texts: &[String]) -> Result<Vec<(String, f64, f64)>, String> {
    let read = |text: &String| -> Option<(String, f64, f64)> {
        let (name, range) = text.split_once('=')?;
        let (low, high) = range.split_once("..")?;
        Some((name.trim().to_owned(), low.trim().parse().ok()?, high.trim().parse().ok()?))
    };
    let fault = |text: &String| format!("`{text}` is not like name=low..high");
    texts.iter().map(|text| read(text).ok_or_else(|| fault(text))).collect()
}

fn as_json(fitted: &Fitted) -> Value {
    let fit = &fitted.fit;
    let units: Map<String, Value> =
        fit.parameters.iter().map(|p| (p.name.clone(), json!(fitted.unit(&p.name)))).collect();
    let each = |of: fn(&fit::Parameter) -> f64| -> Map<String, Value> {
        fit.parameters.iter().map(|p| (p.name.clone(), json!(of(p)))).collect()
    };
    json!({
        "x": fitted.x,
        "y": fitted.y,
        "units": units,
        "parameters": each(|p| p.value),
        "standard_errors": each(|p| p.standard_error),
        "residual_sum_of_squares": fit.residual_sum_of_squares,
        "residual_standard_deviation": fit.residual_standard_deviation,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "reduced_chi_square": fit.reduced_chi_square,
        "converged": fit.converged,
        "trusted": fit.trusted(),
        "doubts": fit.doubts.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "covariance": fit.covariance,
    })
}

fn as_text(fitted: &Fitted) -> String {
    let fit = &fitted.fit;
    let mut out = format!("{} against {}\n\n", fitted.y, fitted.x.join(", "));
    for p in &fit.parameters {
        let error =
            if p.fixed { "held".to_owned() } else { format!("± {}", significant(p.standard_error, 3)) };
        let line =
            format!("{:<12} {:>16}  {error} {}", p.name, significant(p.value, 9), fitted.unit(&p.name));
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out.push_str(&format!(
        "\nresidual sum of squares {}, standard deviation {}, {} degrees of freedom\n",
        significant(fit.residual_sum_of_squares, 9),
        significant(fit.residual_standard_deviation, 9),
        fit.degrees_of_freedom
    ));
    match fit.word() {
        Some(word) => out.push_str(&format!("not to be trusted: {word}\n")),
        None => out.push_str("nothing speaks against this fit\n"),
    }
    out
}
