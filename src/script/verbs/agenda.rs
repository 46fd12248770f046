//! What a step needs, what is left, and steps by their worth.

use crate::quantity::{Dimension, Quantity, in_words, significant};
use crate::script::convert::{MapFields, kind_of, number};
use crate::script::error::{Said, Thrown, argument};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Time, Verb, in_chapter, looks, param};
use crate::supervisor::{Answer, HeliumOutlook, Question, Request};
use rhai::{Array, Dynamic, Engine, FnPtr, Map, NativeCallContext};
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[Verb {
    name: "agenda",
    params: &[param(
        "steps",
        Kind::Steps("name worth body | time helium"),
        "the steps in their order, `[#{ name: \"…\", worth: 2, time: 20.min, body: || { … } }, …]`",
    )],
    gives: Gives::Told("a list of maps with `name`, `done`, `value`, `reason`"),
    summary: "Runs steps in the order given, as far as they fit: before each one, the time and the helium that are left are given to the steps that are still to come, the one of the largest worth first. What then gets nothing is skipped as a whole, with the reason; it does not come back.",
    example: "agenda([\n    #{ name: \"background\", worth: 1, time: 1.min, body: || { wait(1.s); } },\n    #{ name: \"the line itself\", worth: 5, time: 2.min, body: || { wait(2.s); } },\n]);",
    nature: looks(Time::Body, &[], &[]),
    ..in_chapter(Chapter::Flow)
}];

/// What a step needs to be begun.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Needs {
    /// Time, s.
    pub time_s: Option<f64>,
    /// Helium, m³.
    pub helium_m3: Option<f64>,
}

impl Needs {
    /// From the fields of a map.
    pub fn take(fields: &mut MapFields<'_>, ctx: &NativeCallContext<'_>) -> Result<Self, Thrown> {
        let time_s = fields.time("time")?;
        let helium_m3 = fields.quantity("helium", Dimension::VOLUME)?;
        if helium_m3.is_some_and(|helium| helium < 0.0) {
            return Err(argument(ctx, "`helium` can't be negative"));
        }
        Ok(Self { time_s, helium_m3 })
    }

    /// Both, where either is needed.
    fn and(self, other: Self) -> Self {
        let sum = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (None, None) => None,
            (a, b) => Some(a.unwrap_or(0.0) + b.unwrap_or(0.0)),
        };
        Self { time_s: sum(self.time_s, other.time_s), helium_m3: sum(self.helium_m3, other.helium_m3) }
    }

    fn in_words(self) -> String {
        let time = self.time_s.map(in_words);
        let helium = self.helium_m3.map(|helium| format!("{} of helium", litres(helium)));
        let both: Vec<String> = time.into_iter().chain(helium).collect();
        both.join(" and ")
    }
}

/// What is left, as far as anybody asks for it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Left {
    time_s: Option<f64>,
    helium: Option<HeliumOutlook>,
}

impl Left {
    /// Asks the supervisor; the answers are in the record, so a replay decides the same.
    pub fn ask(host: &Host, ctx: &NativeCallContext<'_>, needs: Needs) -> Result<Self, Thrown> {
        let mut left = Self::default();
        if needs.time_s.is_some() {
            left.time_s = Some(host.number(ctx, Request::Ask(Question::TimeLeft))?);
        }
        if needs.helium_m3.is_some() {
            left.helium = match host.call(ctx, Request::Ask(Question::HeliumOutlook))? {
                Answer::HeliumOutlook(outlook) => Some(outlook),
                other => return Err(argument(ctx, format!("an outlook was expected, not {other:?}"))),
            };
        }
        Ok(left)
    }

    /// What the bath loses in an hour, m³, where the run knows that.
    pub fn loss_m3_h(&self) -> Option<f64> {
        let outlook = self.helium.filter(HeliumOutlook::is_forecast)?;
        Some(-outlook.rate_m3_per_s * 3600.0).filter(|loss| *loss > 0.0)
    }

    /// What is lacking, in words; none if there is enough. Helium is judged by the lower edge of the 95 % band, now
    /// and at the end of the time that is needed.
    pub fn lacking(&self, needs: Needs) -> Option<String> {
        if let (Some(needed), Some(left)) = (needs.time_s, self.time_s)
            && left < needed
        {
            return Some(format!("it needs {}, and {} are left", in_words(needed), in_words(left.max(0.0))));
        }
        let (Some(needed), Some(outlook)) = (needs.helium_m3, self.helium) else { return None };
        let (by_line, least) = outlook.after(0.0);
        if least < needed {
            let level = if least < 0.0 {
                format!("the level is {} below the limit", litres(-least))
            } else {
                format!("{} are left above the limit", litres(least))
            };
            let grounds = grounds(&outlook, by_line);
            return Some(format!("it needs {} of helium, and {level}{grounds}", litres(needed)));
        }
        let time_s = needs.time_s.filter(|_| outlook.is_forecast())?;
        let (by_line, least) = outlook.after(time_s);
        (least < 0.0).then(|| {
            format!(
                "in {} the helium will be {} below the limit{}",
                in_words(time_s),
                litres(-least),
                grounds(&outlook, by_line)
            )
        })
    }
}

fn litres(m3: f64) -> Quantity {
    let digits = significant(m3, 3).parse().unwrap_or(m3);
    Quantity::new(digits, Dimension::VOLUME)
}

/// What a number of the helium rests on.
fn grounds(outlook: &HeliumOutlook, by_line: f64) -> String {
    if !outlook.is_forecast() {
        return " (by the last level alone: the run has not read it for long enough to foresee anything)"
            .to_owned();
    }
    format!(
        " (lower edge of the 95 % band; {} by the line through {} readings over {}, which falls by {} a day)",
        litres(by_line),
        outlook.readings,
        in_words(outlook.over_s),
        litres(-outlook.rate_m3_per_s * 86_400.0)
    )
}

struct Item {
    name: String,
    worth: f64,
    needs: Needs,
    body: FnPtr,
}

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("agenda", move |ctx: NativeCallContext, steps: Array| agenda(&h, &ctx, steps));
}

fn item(ctx: &NativeCallContext<'_>, value: Dynamic) -> Result<Item, Thrown> {
    let described = kind_of(&value);
    let Some(map) = value.try_cast::<Map>() else {
        return Err(argument(ctx, format!("a step of an agenda is a map, #{{ … }}, not {described}")));
    };
    let mut fields = MapFields::new(ctx, "agenda", map);
    let needs = Needs::take(&mut fields, ctx)?;
    let name = fields.need("name")?;
    let name = name.into_string().map_err(|_| argument(ctx, "`name` is a text"))?;
    let worth = number(ctx, &fields.need("worth")?, "`worth`")?;
    let body = fields.need("body")?;
    let described = kind_of(&body);
    let body = body.try_cast::<FnPtr>();
    let body = body.ok_or_else(|| {
        let wrong = format!("`body` is a function, || {{ … }}, not {described}");
        argument(ctx, Said::with(wrong, "write || before what is called, like || look()"))
    })?;
    fields.finish()?;
    Ok(Item { name, worth, needs, body })
}

/// Which of the steps still to come are begun: those of larger worth first, of equal worth the earlier one, as long
/// as all that were chosen fit together.
fn choose(items: &[Item], left: &Left) -> Vec<bool> {
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by(|a, b| items[*b].worth.total_cmp(&items[*a].worth).then(a.cmp(b)));
    let mut chosen = vec![false; items.len()];
    let mut together = Needs::default();
    for i in order {
        let with = together.and(items[i].needs);
        if left.lacking(with).is_none() {
            chosen[i] = true;
            together = with;
        }
    }
    chosen
}

fn agenda(host: &Rc<Host>, ctx: &NativeCallContext<'_>, steps: Array) -> Result<Array, Thrown> {
    let items = steps.into_iter().map(|value| item(ctx, value)).collect::<Result<Vec<Item>, Thrown>>()?;
    let mut done = Array::new();
    for (i, item) in items.iter().enumerate() {
        let to_come = &items[i..];
        let asked = to_come.iter().fold(Needs::default(), |all, item| all.and(item.needs));
        let left = Left::ask(host, ctx, asked)?;
        let chosen = choose(to_come, &left);
        let left_out = (!chosen[0]).then(|| why(to_come, &chosen, &left));
        let reason = left_out.clone().unwrap_or_default();
        let value = super::flow::step(host, ctx, &item.name, left_out, &item.body)?;
        let mut map = Map::new();
        map.insert("name".into(), item.name.clone().into());
        map.insert("done".into(), chosen[0].into());
        map.insert("value".into(), value);
        map.insert("reason".into(), reason.into());
        done.push(Dynamic::from_map(map));
    }
    Ok(done)
}

/// Why the first of these steps is left out.
fn why(items: &[Item], chosen: &[bool], left: &Left) -> String {
    if let Some(lacking) = left.lacking(items[0].needs) {
        return lacking;
    }
    let kept = items.iter().zip(chosen).filter(|(item, chosen)| **chosen && item.worth > items[0].worth);
    let names: Vec<String> = kept.map(|(item, _)| format!("`{}`", item.name)).collect();
    let verb = if names.len() == 1 { "is" } else { "are" };
    format!(
        "it needs {}, and what is left is kept for {}, which {verb} worth more",
        items[0].needs.in_words(),
        names.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn items(of: &[(f64, f64)]) -> Vec<Item> {
        let make = |(i, (worth, minutes)): (usize, &(f64, f64))| Item {
            name: format!("step {i}"),
            worth: *worth,
            needs: Needs { time_s: Some(minutes * 60.0), helium_m3: None },
            body: FnPtr::new("body").unwrap(),
        };
        of.iter().enumerate().map(make).collect()
    }

    fn left(minutes: f64) -> Left {
        Left { time_s: Some(minutes * 60.0), helium: None }
    }

    #[test]
    fn the_least_worthy_are_left_out_until_the_rest_fits() {
        let of = [(1.0, 30.0), (5.0, 40.0), (3.0, 30.0), (2.0, 10.0)];
        let cases: [(f64, [bool; 4]); 5] = [
            (110.0, [true; 4]),
            (109.0, [false, true, true, true]),
            // 3 does not fit beside 5, but 2 does.
            (69.0, [false, true, false, true]),
            (39.0, [false, false, true, false]),
            (5.0, [false; 4]),
        ];
        for (minutes, wanted) in cases {
            assert_eq!(choose(&items(&of), &left(minutes)), wanted, "{minutes} min");
        }
        // Of equal worth the earlier one stays.
        assert_eq!(choose(&items(&[(1.0, 20.0), (1.0, 20.0)]), &left(30.0)), [true, false]);
    }

    #[test]
    fn helium_is_judged_by_the_lower_edge_of_its_band() {
        let outlook = HeliumOutlook {
            left_m3: 2.0e-3,
            rate_m3_per_s: -0.8e-3 / 3600.0,
            rate_error_m3_per_s: 0.02e-3 / 3600.0,
            mean_error_m3: 0.05e-3,
            ahead_s: 3600.0,
            quantile: 2.0,
            readings: 100,
            over_s: 7200.0,
        };
        let left = Left { time_s: Some(f64::MAX), helium: Some(outlook) };
        let needs = |minutes: f64, litres: f64| Needs {
            time_s: Some(minutes * 60.0),
            helium_m3: Some(litres * 1e-3),
        };
        // The lower edge is 2 × √(0.05² + 0.02²) = 0.108 L under the line.
        assert_eq!(left.lacking(needs(10.0, 1.88)), None);
        let reason = left.lacking(needs(10.0, 1.95)).unwrap();
        assert!(reason.contains("lower edge of the 95 % band") && reason.contains("1.89 L"), "{reason}");
        // In 145 min 1.93 L are gone: 0.07 L by the line, less than nothing by the edge.
        let reason = left.lacking(needs(145.0, 0.0)).unwrap();
        assert!(reason.starts_with("in 2 h 25 min the helium will be"), "{reason}");
        assert_eq!(left.lacking(needs(130.0, 0.0)), None);
    }
}
