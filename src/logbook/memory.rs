//! What a sequence may ask of the logbook, put together when its run begins.

use super::{LogError, Logbook};
use crate::analysis::areas::Maps;
use crate::record::{KnownSpectrum, KnownSpin, Memory, RunFile, SweepTable};
use std::path::Path;

/// Sweeps that are told of at most, the latest ones.
const SPECTRA: i64 = 300;
/// Of these, so many have their data with them …
const WITH_DATA: usize = 40;
/// … where they have no more points than this.
const POINTS_AT_MOST: u64 = 2000;

impl Logbook {
    /// Spins, maps and spectra, with moments relative to `now_s`, seconds since 1970.
    ///
    /// # Errors
    /// If the logbook can't be read. A run file that can't be read gives no data.
    pub fn memory(&self, now_s: i64) -> Result<Memory, LogError> {
        let areas = self.worked_out("areas")?.unwrap_or_default();
        let ago_s = |at_s: i64| (at_s - now_s) as f64;
        let spins = {
            let mut statement = self.connection.prepare(
                "SELECT id, names, x_m, y_m, last_s, moment_mu_b, moment_error_mu_b FROM spin ORDER BY length(id), id",
            )?;
            let rows = statement.query_map([], |row| {
                let id: String = row.get(0)?;
                let moment = row.get::<_, Option<f64>>(5)?.zip(row.get::<_, Option<f64>>(6)?);
                Ok(KnownSpin {
                    area: Maps::area_of(&id),
                    id,
                    names: row.get(1)?,
                    at_m: [row.get(2)?, row.get(3)?],
                    last_s: ago_s(row.get(4)?),
                    moment: moment.map(|(value, error)| [value, error]),
                })
            })?;
            rows.collect::<Result<Vec<_>, rusqlite::Error>>()?
        };
        Ok(Memory { areas, spins, spectra: self.spectra(ago_s)? })
    }

    fn spectra(&self, ago_s: impl Fn(i64) -> f64) -> Result<Vec<KnownSpectrum>, LogError> {
        let mut statement = self.connection.prepare(
            "SELECT s.run, s.sweep, s.at_s, s.tip, s.spin, s.name, s.channel, s.from_si, s.to_si, s.points, s.field_t, \
             s.verdict, r.path FROM spectrum s JOIN run r ON r.name = s.run ORDER BY s.at_s DESC, s.sweep DESC LIMIT ?1",
        )?;
        let rows = statement.query_map([SPECTRA], |row| {
            let spectrum = KnownSpectrum {
                run: row.get(0)?,
                sweep: row.get(1)?,
                at_s: ago_s(row.get(2)?),
                tip: row.get(3)?,
                spin: row.get(4)?,
                name: row.get(5)?,
                channel: row.get(6)?,
                ends: [row.get(7)?, row.get(8)?],
                points: row.get(9)?,
                field_t: row.get(10)?,
                verdict: row.get(11)?,
                x: Vec::new(),
                columns: Vec::new(),
            };
            Ok((spectrum, row.get::<_, String>(12)?))
        })?;
        let mut spectra = rows.collect::<Result<Vec<_>, rusqlite::Error>>()?;
        let short = spectra.iter_mut().filter(|(spectrum, _)| spectrum.points <= POINTS_AT_MOST);
        for (spectrum, path) in short.take(WITH_DATA) {
            if let Some(table) = measured(Path::new(path), spectrum.sweep) {
                spectrum.x = table.x;
                let names = table.read.into_iter().map(|column| column.channel);
                spectrum.columns = names.zip(table.values).collect();
            }
        }
        Ok(spectra.into_iter().map(|(spectrum, _)| spectrum).collect())
    }
}

/// The points of a sweep along one axis; numbers alone, for the record has no form for what is none.
fn measured(path: &Path, sweep: u64) -> Option<SweepTable> {
    let table = RunFile::open(path).ok()?.sweep(sweep).ok()?;
    let finite = table.values.iter().flatten().all(|value| value.is_finite());
    (table.slow.is_none() && finite).then_some(table)
}
