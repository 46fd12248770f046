//! `noctule fit`: the same fits as in a sequence, on a table.

use super::common::reject;
use super::table::Table;
use crate::analysis::fit::{self, Fit, FitError, Options};
use crate::quantity::significant;
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
    /// Column of the predictor; several times for several.
    #[arg(long, default_value = "x")]
    x: Vec<String>,
    /// Column of the response.
    #[arg(long, default_value = "y")]
    y: String,
    /// Column of the standard errors of the response.
    #[arg(long)]
    sigma: Option<String>,
    /// Parameters held at a value, like slope=0.
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true)]
    fix: Vec<String>,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl FitCommand {
    /// Runs the command.
    pub fn run(self) -> u8 {
        match self.fit() {
            Err(reason) => reject(&reason),
            Ok(fit) if self.json => {
                println!("{}", as_json(&fit));
                u8::from(!fit.converged)
            }
            Ok(fit) => {
                println!("{}", as_text(&fit).trim_end());
                u8::from(!fit.converged)
            }
        }
    }

    fn fit(&self) -> Result<Fit, String> {
        let (model, file) = match (self.words.as_slice(), &self.formula) {
            ([file], Some(_)) => (None, file),
            ([model, file], None) => (Some(model.as_str()), file),
            ([_], None) => {
                return Err(format!("give a model ({}) before the file, or a --formula", MODELS.join(", ")));
            }
            _ => return Err("with --formula only the file is given, no model".to_owned()),
        };
        let table = Table::read(&PathBuf::from(file))?;
        let columns =
            self.x.iter().map(|name| table.column(name)).collect::<Result<Vec<&[f64]>, String>>()?;
        let y = table.column(&self.y)?;
        let mut options = Options::new();
        if let Some(sigma) = &self.sigma {
            options = options.sigmas(table.column(sigma)?);
        }
        for (name, value) in pairs(&self.fix)? {
            options = options.fix(&name, value);
        }
        let start = pairs(&self.start)?;
        let told = |error: FitError| error.to_string();
        if let Some(formula) = &self.formula {
            let start: Vec<(&str, f64)> = start.iter().map(|(name, value)| (name.as_str(), *value)).collect();
            let named: Vec<(&str, &[f64])> = self.x.iter().map(String::as_str).zip(columns).collect();
            return fit::formula_with(formula, &start, &named, y, &options).map_err(told);
        }
        for (name, value) in &start {
            options = options.start(name, *value);
        }
        let [x] = columns.as_slice() else { return Err("these models have one predictor".to_owned()) };
        match model.unwrap_or_default() {
            "resonance" => fit::resonance(x, y, &options),
            "lorentzian" => fit::lorentzian(x, y, &options),
            "gaussian" => fit::gaussian(x, y, &options),
            "decay" => fit::decay(x, y, &options),
            "approach" => fit::approach(x, y, &options),
            "line" => fit::line(x, y, &options),
            other => {
                let hint = noctule_sim::document::nearest(other, MODELS)
                    .map(|near| format!("; did you mean `{near}`?"));
                return Err(format!("there is no model `{other}`{}", hint.unwrap_or_default()));
            }
        }
        .map_err(told)
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

fn as_json(fit: &Fit) -> Value {
    let each = |of: fn(&fit::Parameter) -> f64| -> Map<String, Value> {
        fit.parameters.iter().map(|p| (p.name.clone(), json!(of(p)))).collect()
    };
    json!({
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

fn as_text(fit: &Fit) -> String {
    let mut out = String::new();
    for p in &fit.parameters {
        let error =
            if p.fixed { "held".to_owned() } else { format!("± {}", significant(p.standard_error, 3)) };
        out.push_str(&format!("{:<12} {:>16}  {error}\n", p.name, significant(p.value, 9)));
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
