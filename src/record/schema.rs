//! The tables of a run file. The schema is documented for users in the guide; it has a version.

/// Version of the schema that this build writes. It reads all older ones, and goes on with none of them.
pub const SCHEMA_VERSION: u32 = 2;

/// Statements that make an empty run file.
///
/// * `meta`: what the file is.
/// * `document`: the texts that were run: sequence, imports, bench, world.
/// * `entry`: everything that happened, in order; `body` is one JSON object.
/// * `point`: points of sweeps; `x` is the fast axis, `y` the slow one, `r0…r7` the readings, all SI.
/// * `bulk`: traces and images, as little-endian 64-bit floats, by the `seq` of their entry.
///
/// `seq` counts through `entry` and `point` together without a gap, and `chain` is a CRC-32 over the
/// row and the `chain` before it: SQLite alone does not notice a flipped bit.
pub const CREATE: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE document (name TEXT PRIMARY KEY, role TEXT NOT NULL, hash TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE entry (seq INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
    chain INTEGER NOT NULL);
CREATE TABLE point (seq INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, sweep INTEGER NOT NULL, i INTEGER NOT NULL,
    x REAL NOT NULL, y REAL NOT NULL, r0 REAL, r1 REAL, r2 REAL, r3 REAL, r4 REAL, r5 REAL, r6 REAL, r7 REAL,
    chain INTEGER NOT NULL);
CREATE TABLE bulk (seq INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE INDEX point_of_sweep ON point (sweep, i);
CREATE INDEX entry_of_kind ON entry (kind, seq);
CREATE VIEW monitors AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.channel') AS channel,
    json_extract(body, '$.value') AS value FROM entry WHERE kind = 'monitor';
CREATE VIEW sweeps AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.sweep') AS sweep,
    json_extract(body, '$.plan.name') AS name, json_extract(body, '$.plan.fast.points')
    * coalesce(json_extract(body, '$.plan.slow.points'), 1) * (1 + json_extract(body, '$.plan.both_ways')) AS points,
    json_extract(body, '$.place.line') AS line FROM entry WHERE kind = 'sweep_begin';
CREATE VIEW judgements AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.what') AS what,
    json_extract(body, '$.sweep') AS sweep, json_extract(body, '$.title') AS title,
    json_extract(body, '$.body') AS body FROM entry WHERE kind = 'judgement';
CREATE VIEW notes AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.text') AS text
    FROM entry WHERE kind = 'note';
CREATE VIEW interlocks AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.name') AS name,
    json_extract(body, '$.action') AS action, json_extract(body, '$.condition') AS condition,
    json_extract(body, '$.cause.compared.value') AS value, json_extract(body, '$.cause.compared.limit') AS limit_value,
    json_extract(body, '$.place.line') AS line FROM entry WHERE kind = 'interlock';
";
