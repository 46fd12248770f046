//! Names of parameters, and what kind of quantity each is.

use super::Model;

fn owned(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| (*n).to_owned()).collect()
}

fn numbered(name: &str, count: usize) -> impl Iterator<Item = String> {
    (1..=count).map(move |k| format!("{name}_{k}"))
}

impl Model {
    /// Names of the parameters, in order.
    pub fn names(&self) -> Vec<String> {
        match self {
            Self::Fano { .. } => owned(&["centre", "width", "height", "asymmetry", "offset", "slope"]),
            Self::Lorentzian { .. } | Self::Gaussian { .. } => {
                owned(&["centre", "width", "height", "offset", "slope"])
            }
            Self::Decay { .. } => owned(&["height", "time", "offset"]),
            Self::Approach { .. } => owned(&["current", "kappa", "offset"]),
            Self::Line { .. } => owned(&["offset", "slope"]),
            Self::Steps { count } => {
                let pairs = (1..=*count).flat_map(|k| [format!("step_{k}"), format!("height_{k}")]);
                pairs.chain(owned(&["broadening", "zero", "offset", "slope"])).collect()
            }
            Self::Lines { count, shared_width, equal_spacing, .. } => {
                let mut names = if *equal_spacing {
                    owned(&["centre", "spacing"])
                } else {
                    numbered("centre", *count).collect()
                };
                if *shared_width {
                    names.push("width".to_owned());
                } else {
                    names.extend(numbered("width", *count));
                }
                names.push("asymmetry".to_owned());
                names.extend(numbered("height", *count));
                names.extend(owned(&["offset", "slope"]));
                names
            }
            Self::Global { models, shared } => {
                let mut names = shared.clone();
                for (k, model) in models.iter().enumerate() {
                    let own = model.names().into_iter().filter(|n| !shared.contains(n));
                    names.extend(own.map(|n| format!("{n}@{}", k + 1)));
                }
                names
            }
            Self::Formula(formula) => formula.parameters().to_vec(),
            Self::Closure { parameters } => parameters.clone(),
        }
    }

    /// Whether the named parameter sets the size or scale of the feature, so that an error larger than its value
    /// means that there is no such feature. Offsets, slopes and asymmetries may well be zero, and so may every
    /// parameter of a formula or a closure, of which nothing is known.
    pub fn scales(&self, name: &str) -> bool {
        match self {
            Self::Formula(_) | Self::Closure { .. } => false,
            _ => ["width", "height", "time", "current", "kappa", "spacing", "step", "broadening"]
                .contains(&kind(name)),
        }
    }

    /// Whether the named parameter is a place on the x axis that should lie within the data.
    pub fn places(&self, name: &str) -> bool {
        !self.own() && (kind(name) == "centre" || kind(name) == "step")
    }

    /// Whether the named parameter is a width along x.
    pub fn widths(&self, name: &str) -> bool {
        !self.own() && kind(name) == "width"
    }

    fn own(&self) -> bool {
        matches!(self, Self::Formula(_) | Self::Closure { .. })
    }
}

/// The name without the number of the line or spectrum.
fn kind(name: &str) -> &str {
    name.split(['_', '@']).next().unwrap_or(name)
}
