//! Questions to the logbook, and their answers: rows of text, printed as lines or as JSON.

use super::{LogError, Logbook};
use crate::quantity::in_words;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use rusqlite::ToSql;
use serde_json::{Map, Value};

/// An answer: named rows.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Page {
    /// Parts with a title and rows of named values, in order.
    pub parts: Vec<(String, Vec<Map<String, Value>>)>,
}

impl Page {
    /// As one JSON object.
    pub fn json(&self) -> Value {
        let parts =
            self.parts.iter().map(|(title, rows)| (title.replace(' ', "_"), Value::from(rows.clone())));
        Value::Object(parts.collect())
    }

    /// As one HTML page by itself; times on the clock of a zone. It needs nothing but itself, so it can be sent by post.
    pub fn html(&self, title: &str, zone: &TimeZone) -> String {
        let title = escaped(title);
        let mut body = String::new();
        for (part, rows) in &self.parts {
            body += &format!("<h2>{}</h2>\n", escaped(part));
            let shown_in = |name: &&String| rows.iter().any(|row| told(name, &row[*name], zone).is_some());
            let columns: Vec<&String> =
                rows.first().map_or(Vec::new(), |row| row.keys().filter(shown_in).collect());
            if columns.is_empty() {
                body += "<p>nothing</p>\n";
                continue;
            }
            let heads = columns.iter().map(|name| format!("<th scope=\"col\">{}</th>", escaped(head(name))));
            body += &format!("<div><table>\n<tr>{}</tr>\n", heads.collect::<String>());
            for row in rows {
                let cell = |name: &&String| told(name, &row[*name], zone).unwrap_or_default();
                let cells = columns.iter().map(|name| format!("<td>{}</td>", escaped(&cell(name))));
                body += &format!("<tr>{}</tr>\n", cells.collect::<String>());
            }
            body += "</table></div>\n";
        }
        format!(
            "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n\
             <style>{STYLE}</style></head>\n<body><main>\n<h1>{title}</h1>\n{body}</main></body></html>\n"
        )
    }

    /// As lines for people; times on the clock of a zone.
    pub fn text(&self, zone: &TimeZone) -> String {
        let mut out = String::new();
        for (title, rows) in &self.parts {
            out += &format!("{title}\n");
            if rows.is_empty() {
                out += "  nothing\n";
            }
            for row in rows {
                let shown = row.iter().filter_map(|(name, value)| shown(name, value, zone));
                out += &format!("  {}\n", shown.collect::<Vec<_>>().join("  "));
            }
        }
        out
    }
}

/// How a page looks, in light and in dark.
const STYLE: &str = "body{font:16px/1.45 system-ui,sans-serif;margin:1rem;color:#1b1b1b;background:#fff}\
main{max-width:72rem;margin:auto}div{overflow-x:auto}table{border-collapse:collapse}\
th,td{text-align:left;vertical-align:top;padding:.3rem .8rem .3rem 0;border-bottom:1px solid #bbb}\
@media(prefers-color-scheme:dark){body{color:#eee;background:#161616}th,td{border-color:#555}}";

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// The head of a column: its name in words.
fn head(name: &str) -> &str {
    match name {
        "at_s" | "from_s" | "started_s" => "when",
        "first_s" => "first",
        "last_s" => "last",
        "until_s" => "until",
        "proved_s" => "proved",
        "lost_s" => "lost",
        "pot_condensed_s" => "pot condensed",
        "elapsed_s" => "took",
        "x_m" => "x (m)",
        "y_m" => "y (m)",
        "height_m" => "height (m)",
        "field_t" => "field (T)",
        "from_si" => "from (SI)",
        "to_si" => "to (SI)",
        "moment_mu_b" => "moment (Bohr magnetons)",
        "moment_error_mu_b" => "its error",
        "polarisation_error" => "its error",
        other => other,
    }
}

/// A value in a table, under the name of its column.
fn told(name: &str, value: &Value, zone: &TimeZone) -> Option<String> {
    let text = shown(name, value, zone)?;
    let bare =
        [name, name.trim_end_matches("_s")].iter().find_map(|name| text.strip_prefix(&format!("{name} ")));
    Some(bare.unwrap_or(&text).to_owned())
}

/// A value for people; nothing where there is none.
fn shown(name: &str, value: &Value, zone: &TimeZone) -> Option<String> {
    let time = |s: i64| {
        // What was there before the logbook has no time.
        if s == 0 {
            return None;
        }
        let at = Timestamp::from_second(s).ok()?.to_zoned_datetime(zone.clone());
        Some(at.strftime("%Y-%m-%d %H:%M").to_string())
    };
    match (name, value) {
        (_, Value::Null) => None,
        (_, Value::String(text)) if text.is_empty() => None,
        ("at_s" | "from_s" | "started_s" | "first_s" | "last_s", value) => time(value.as_i64()?),
        ("elapsed_s", value) => Some(in_words(value.as_f64()?)),
        (
            "remark" | "text" | "at" | "what" | "came" | "id" | "run" | "name" | "outcome" | "by" | "kind",
            Value::String(text),
        ) => Some(text.clone()),
        (_, value) if name.ends_with("_s") => {
            Some(format!("{} {}", name.trim_end_matches("_s"), time(value.as_i64()?)?))
        }
        (_, Value::String(text)) => Some(format!("{name} {text}")),
        (_, Value::Number(number)) => {
            let number = number.as_f64()?;
            let text = if number.fract() == 0.0 && number.abs() < 1e9 {
                format!("{number}")
            } else {
                crate::quantity::significant(number, 5)
            };
            Some(format!("{name} {text}"))
        }
        _ => None,
    }
}

impl Logbook {
    fn rows(&self, question: &str, with: &[&dyn ToSql]) -> Result<Vec<Map<String, Value>>, LogError> {
        let mut statement = self.connection.prepare_cached(question)?;
        let names: Vec<String> = statement.column_names().map(str::to_owned).collect();
        let rows = statement.query_map(with, |row| {
            let mut map = Map::new();
            for (i, name) in names.iter().enumerate() {
                let value = match row.get_ref(i)? {
                    rusqlite::types::ValueRef::Integer(whole) => Value::from(whole),
                    rusqlite::types::ValueRef::Real(number) => Value::from(number),
                    rusqlite::types::ValueRef::Text(text) => {
                        Value::from(String::from_utf8_lossy(text).into_owned())
                    }
                    _ => Value::Null,
                };
                map.insert(name.clone(), value);
            }
            Ok(map)
        })?;
        Ok(rows.collect::<Result<_, rusqlite::Error>>()?)
    }

    fn part(
        &self,
        title: &str,
        question: &str,
        with: &[&dyn ToSql],
    ) -> Result<(String, Vec<Map<String, Value>>), LogError> {
        Ok((title.to_owned(), self.rows(question, with)?))
    }

    /// The state of things: the tip that is in, plans, the last runs and words, nights since the refill.
    ///
    /// # Errors
    /// If the logbook can't be read.
    pub fn overview(&self, now_s: i64) -> Result<Page, LogError> {
        let parts = vec![
            self.part("the tip that is in", "SELECT * FROM tip ORDER BY id DESC LIMIT 1", &[])?,
            self.part("plans", "SELECT at_s, by, text FROM word WHERE kind = 'plan' ORDER BY at_s DESC LIMIT 5", &[])?,
            self.part(
                "last words",
                "SELECT at_s, by, kind, text, run, tip, spin, until_s FROM word WHERE kind <> 'plan' ORDER BY at_s DESC LIMIT 5",
                &[],
            )?,
            self.part(
                "last runs",
                "SELECT started_s, name, outcome, result, about FROM run WHERE body <> '' ORDER BY started_s DESC, name DESC LIMIT 5",
                &[],
            )?,
        ];
        let mut page = Page { parts };
        page.parts.extend(self.since_refill(now_s)?.parts);
        Ok(page)
    }

    /// What happened to a tip; to the one that is in where none is named.
    ///
    /// # Errors
    /// There is no such tip.
    pub fn tip(&self, id: Option<u64>) -> Result<Page, LogError> {
        let tips = match id {
            Some(id) => self.rows("SELECT * FROM tip WHERE id = ?1", &[&id])?,
            None => self.rows("SELECT * FROM tip ORDER BY id DESC LIMIT 1", &[])?,
        };
        let found = tips.first().and_then(|tip| tip["id"].as_i64());
        let Some(found) = found else {
            let known = self.rows("SELECT max(id) AS last FROM tip", &[])?;
            let last = known.first().and_then(|row| row["last"].as_i64()).unwrap_or(0);
            return Err(LogError::NotThere(match last {
                0 => "the logbook knows of no tip yet".to_owned(),
                last => format!("there is no such tip; the last one is tip {last}"),
            }));
        };
        let events = self.part(
            "what happened to it",
            "SELECT at_s, what, remark, run FROM tip_event WHERE tip = ?1 ORDER BY at_s, rowid",
            &[&found],
        )?;
        let words = self.part(
            "words",
            "SELECT at_s, by, kind, text FROM word WHERE tip = ?1 ORDER BY at_s",
            &[&found],
        )?;
        let with = self.part(
            "spectra",
            "SELECT run, spin, name, count(*) AS sweeps FROM spectrum WHERE tip = ?1 GROUP BY run, spin, name ORDER BY min(at_s)",
            &[&found],
        )?;
        Ok(Page { parts: vec![("tip".to_owned(), tips), events, words, with] })
    }

    /// All spectra of a spin; the list of spins where none is named.
    ///
    /// # Errors
    /// There is no such spin.
    pub fn spin(&self, id: Option<&str>) -> Result<Page, LogError> {
        let Some(id) = id else {
            let all = self.part("spins", "SELECT * FROM spin ORDER BY length(id), id", &[])?;
            return Ok(Page { parts: vec![all] });
        };
        let spins = self.rows("SELECT * FROM spin WHERE id = ?1 COLLATE NOCASE OR names = ?1", &[&id])?;
        let Some(found) = spins.first().and_then(|spin| spin["id"].as_str().map(str::to_owned)) else {
            return Err(LogError::NotThere(format!(
                "there is no spin `{id}`; `noctule log spin` lists them"
            )));
        };
        let spectra = self.part(
            "spectra",
            "SELECT at_s, run, sweep, name, channel, from_si, to_si, points, field_t, tip, verdict FROM spectrum WHERE spin = ?1 ORDER BY at_s, sweep",
            &[&found],
        )?;
        let words = self.part(
            "words",
            "SELECT at_s, by, kind, text FROM word WHERE spin = ?1 ORDER BY at_s",
            &[&found],
        )?;
        Ok(Page { parts: vec![("spin".to_owned(), spins), spectra, words] })
    }

    /// Runs since the last refill, and how long ago it was.
    ///
    /// # Errors
    /// If the logbook can't be read.
    pub fn since_refill(&self, now_s: i64) -> Result<Page, LogError> {
        let last = self.rows("SELECT max(at_s) AS at_s FROM refill", &[])?;
        let at_s = last.first().and_then(|row| row["at_s"].as_i64());
        let runs = self.rows(
            "SELECT count(*) AS runs, coalesce(sum(elapsed_s), 0.0) AS elapsed_s FROM run WHERE body <> '' AND started_s >= ?1",
            &[&at_s.unwrap_or(i64::MIN)],
        )?;
        let mut row = Map::new();
        if let Some(at_s) = at_s {
            row.insert("at_s".to_owned(), at_s.into());
            // A night is counted for each noon that has passed since.
            let noons = |s: i64| (s - 43_200).div_euclid(86_400);
            row.insert("nights".to_owned(), (noons(now_s) - noons(at_s)).into());
        }
        for (name, value) in runs.into_iter().flatten() {
            row.insert(name, value);
        }
        if let Some(at_s) = self.condensed_s()? {
            row.insert("pot_condensed_s".to_owned(), at_s.into());
        }
        Ok(Page { parts: vec![("since the refill".to_owned(), vec![row])] })
    }

    /// Everything in which all these words stand: people's words, notes, what happened to tips, results of runs.
    ///
    /// # Errors
    /// If the logbook can't be read.
    pub fn search(&self, words: &[String]) -> Result<Page, LogError> {
        let like: Vec<String> =
            words.iter().map(|word| format!("%{}%", word.replace(['%', '_'], "_"))).collect();
        let with: Vec<&dyn ToSql> = like.iter().map(|word| word as &dyn ToSql).collect();
        let all = |fields: &str| {
            let each = (1..=like.len()).map(|i| format!("({fields}) LIKE ?{i}"));
            each.collect::<Vec<_>>().join(" AND ")
        };
        let part = |title: &str, columns: &str, table: &str, fields: &str, order: &str| {
            let question =
                format!("SELECT {columns} FROM {table} WHERE {} ORDER BY {order} LIMIT 200", all(fields));
            self.part(title, &question, &with)
        };
        let word =
            "text || ' ' || by || ' ' || kind || ' ' || coalesce(run, '') || ' ' || coalesce(spin, '')";
        let parts = vec![
            part("words", "at_s, by, kind, text, run, tip, spin", "word", word, "at_s")?,
            part("notes", "at_s, text, run", "note", "text || ' ' || run", "at_s")?,
            part(
                "tips",
                "at_s, tip, what, remark, run",
                "tip_event",
                "what || ' ' || remark || ' ' || run",
                "at_s",
            )?,
            part(
                "runs",
                "started_s, name, outcome, result, about",
                "run",
                "name || ' ' || sequence || ' ' || outcome || ' ' || result || ' ' || about",
                "started_s",
            )?,
        ];
        Ok(Page { parts })
    }
}
