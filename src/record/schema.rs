//! The tables of a run file. The schema is documented for users in the guide; it has a version.

/// Version of the schema that this build writes. It reads all older ones, and goes on with none of them.
pub const SCHEMA_VERSION: u32 = 3;

/// Statements that make an empty run file.
///
/// * `meta`: what the file is.
/// * `document`: the texts that were run: sequence, imports, bench, world.
/// * `entry`: everything that happened, in order; `body` is one JSON object.
/// * `point`: points of sweeps; `x` is the fast axis, `y` the slow one, `r0…r7` the readings, all SI; a gap is NULL.
/// * `bulk`: traces, images and long tables, as little-endian 64-bit floats, by the `seq` of their entry.
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
CREATE VIEW settings AS SELECT e.sweep, e.moment, v.key AS channel, v.value AS value, v.path = '$.settings.set' AS is_set
    FROM (SELECT json_extract(body, '$.sweep') AS sweep, CASE kind WHEN 'sweep_begin' THEN 'begin' ELSE 'end' END AS moment,
    body FROM entry WHERE kind IN ('sweep_begin', 'sweep_end')) e, json_tree(e.body, '$.settings') v
    WHERE v.path IN ('$.settings.set', '$.settings.read');
CREATE VIEW fits AS SELECT e.seq, json_extract(e.body, '$.sweep') AS sweep, json_extract(p.value, '$.name') AS parameter,
    json_extract(p.value, '$.value') AS value, json_extract(p.value, '$.standard_error') AS error,
    json_extract(e.body, '$.body.trusted') AS trusted
    FROM entry e, json_each(e.body, '$.body.fit.parameters') p
    WHERE e.kind = 'judgement' AND json_extract(e.body, '$.what') = 'fit';
CREATE VIEW gaps AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.sweep') AS sweep, json_extract(body, '$.i') AS i,
    json_extract(body, '$.channel') AS channel, json_extract(body, '$.error.message') AS reason
    FROM entry WHERE kind = 'gap';
CREATE VIEW tables AS SELECT seq, at_ns / 1e9 AS at_s, json_extract(body, '$.table.name') AS name,
    json_extract(body, '$.table.rows') AS rows, json_extract(body, '$.table.columns') AS columns,
    json_extract(body, '$.place.line') AS line FROM entry WHERE kind = 'table';
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
