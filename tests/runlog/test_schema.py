# SPDX-License-Identifier: MIT
import contextlib
import json
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from log_parts import result, samples, text
from run_headers import header
from sqlalchemy import create_engine
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from rig.actions import calibrate_timing
from rig.core.errors import StorageError
from rig.runlog import schema
from rig.runlog.schema import MIGRATIONS, REVISIONS, OldLogError
from rig.runlog.store import RunLog
from rig.runlog.tables import metadata

TABLES = sorted(metadata.tables)

# A migration as a later version might bring it: SQLite can only change a table by making it anew,
# and `runs` is the parent of all records.
REBUILD = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "9001", {last!r}, None, None

def upgrade():
    options = {{"sqlite_strict": True, "sqlite_autoincrement": True}}
    with op.batch_alter_table("runs", recreate="always", table_kwargs=options) as runs:
        runs.add_column(sa.Column("weather", sa.Text(), server_default="", nullable=False))
        runs.drop_constraint(op.f("ck_runs_status"), type_="check")
    {more}
"""


@pytest.fixture
def path(tmp_path):
    return tmp_path / "runs.sqlite"


def plain(path):
    return contextlib.closing(sqlite3.connect(path, isolation_level=None))


def fill(path):
    with RunLog(path) as log:
        for k in range(3):
            conditions = {"oil_level": {"value": "full", "unit": "", "how": "typed"}}
            run_id = log.begin_run(header(valve=f"V-{k}", job="J", conditions=conditions))
            log.append_chunk(run_id, 5, text(5, 5 * k))
            log.append_chunk(run_id, 2, text(2, 5 * k + 5))
            log.save_result(run_id, result(), "v1")


def counts(path):
    with plain(path) as db:
        return {
            name: db.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
            for (name,) in db.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
                " AND name <> 'alembic_version'"
            ).fetchall()
        }


def revision(path):
    with plain(path) as db:
        return schema.revision_of(db)


def migration(tmp_path, more="pass"):
    folder = tmp_path / "later 100%"
    folder.mkdir()
    text = REBUILD.format(last=REVISIONS[-1], more=more)
    (folder / "r9001_later.py").write_text(text)
    return str(folder)


def test_migrations_make_exactly_the_tables_that_the_program_uses(path):
    schema.upgrade(path, REVISIONS[-1])
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_a_new_log_is_what_the_migrations_make(path, tmp_path):
    """Checks and names too, which the comparison above does not look at."""
    RunLog(path).close()
    migrated = tmp_path / "migrated.sqlite"
    schema.upgrade(migrated, REVISIONS[-1])
    made, held = (everything(one) for one in (path, migrated))
    assert made.keys() == held.keys() >= {*TABLES, "alembic_version"}
    for name in made:
        assert clauses(made[name]) == clauses(held[name])
    for one in (path, migrated):
        assert revision(one) == REVISIONS[-1]
        with plain(one) as db:
            strict = {row[1] for row in db.execute("PRAGMA table_list") if row[5]}
        assert strict >= set(TABLES)


def everything(path):
    """Tables and indexes as they were declared."""
    with plain(path) as db:
        return dict(db.execute("SELECT name, coalesce(sql, '') FROM sqlite_master"))


def clauses(sql):
    """In a rebuilt table SQLite quotes the name and SQLAlchemy brackets the default."""
    sql = re.sub(r'CREATE TABLE "(runs|jobs|results)"', r"CREATE TABLE \1", sql)
    sql = sql.replace("('')", "''").replace("('valve')", "'valve'")
    return sorted(line.strip().rstrip(", ") for line in sql.splitlines() if line.strip())


def test_the_known_revisions_are_the_migrations():
    found = [s.revision for s in ScriptDirectory(str(MIGRATIONS)).walk_revisions()]
    assert tuple(reversed(found)) == REVISIONS


def test_every_constraint_has_a_name(path):
    RunLog(path).close()
    with plain(path) as db:
        sql = "\n".join(row[0] for row in db.execute("SELECT sql FROM sqlite_master") if row[0])
    for line in sql.splitlines():
        if "alembic" not in line and any(word in line for word in ("CHECK", "FOREIGN", "UNIQUE")):
            assert "CONSTRAINT " in line, line


@pytest.mark.parametrize("table", TABLES)
def test_the_tables_can_be_made_in_postgresql_too(table):
    made = metadata.tables[table]
    sql = str(CreateTable(made).compile(dialect=postgresql.dialect()))
    sql += "".join(str(CreateIndex(i).compile(dialect=postgresql.dialect())) for i in made.indexes)
    assert "STRICT" not in sql
    if table == "chunks":
        assert "BIGINT" in sql
        assert "BYTEA" in sql


def test_a_log_of_todays_form_is_opened_without_alembic(path):
    RunLog(path).close()
    code = (
        "import sys; from pathlib import Path; from rig.runlog.store import RunLog;"
        f"RunLog(Path({str(path)!r})).close(); RunLog(Path({str(path)!r}), readonly=True).close();"
        "sys.exit('alembic' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0


def test_two_programs_may_make_the_log_at_once(path):
    code = (
        "from pathlib import Path; from rig.runlog.store import RunLog;"
        f"RunLog(Path({str(path)!r}), busy_s=20).close()"
    )
    both = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(2)]
    assert [process.wait() for process in both] == [0, 0]
    assert revision(path) == REVISIONS[-1]


def test_a_newer_form_is_refused_and_left_alone(path):
    fill(path)
    with plain(path) as db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = path.read_bytes()
    for readonly in (True, False):
        with pytest.raises(StorageError, match="written by a newer version") as caught:
            RunLog(path, readonly)
        assert not isinstance(caught.value, OldLogError)
        assert "Nothing was changed. Update this program" in str(caught.value)
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.glob("*before*")] == []


@pytest.mark.parametrize("start", REVISIONS)
def test_from_every_form_with_data_no_row_is_lost(path, tmp_path, start):
    schema.upgrade(path, start)
    assert revision(path) == start
    fill_form(path)
    before = counts(path)
    assert all(before.values())
    RunLog(path).close()
    assert revision(path) == REVISIONS[-1]
    assert {name: counts(path)[name] for name in before} == before
    with plain(path) as db:
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_what_the_list_is_sorted_by_is_taken_from_older_results(path):
    """Figures out of the JSON, and runs that judged no valve by what marked them before."""
    shape = result() | {"counts": {"missed": 2}}
    shape["summary"]["response_ms"] |= {"n": 4, "max": 55.5}
    shape["summary"]["release_ms"] = {"n": 3, "mean": 30.25}
    schema.upgrade(path, "0003")
    notes = {1: calibrate_timing.NOTE, 2: "", 3: calibrate_timing.NOTE}
    with plain(path) as db:
        db.execute("INSERT INTO valves (id, tag) VALUES (1, 'V-1')")
        columns = [row[1:3] for row in db.execute("PRAGMA table_info(runs)")]
        for number, note in notes.items():
            given = {name: _value("runs", name, kind) for name, kind in columns}
            given |= {"id": number, "uid": f"'{number}'", "valve_id": "NULL", "note": "?"}
            given["sheet_name"] = "'commissioning'" if number == 2 else "'timing.sheet.toml'"
            given["valve_id"] = "1" if number == 3 else "NULL"
            given |= {"setup_hash": "'x'", "sheet_hash": "NULL", "job_id": "NULL"}
            names, values = (", ".join(map(str, part)) for part in (given, given.values()))
            db.execute(f"INSERT INTO runs ({names}) VALUES ({values})", (note,))
        db.execute("INSERT INTO texts VALUES ('x', 'x')")
        odd = {"counts": {"missed": 1.5}, "summary": {"response_ms": {"n": "4", "max": "late"}}}
        for number, text in ((1, json.dumps(shape)), (2, json.dumps(odd)), (3, "not JSON")):
            db.execute(
                "INSERT INTO results (run_id, software, created_utc_s, json)"
                " VALUES (?, 'v', 0.0, ?)",
                (number, text),
            )
    RunLog(path).close()
    with plain(path) as db:
        purposes = [row[0] for row in db.execute("SELECT purpose FROM runs ORDER BY id")]
        figures = db.execute(
            "SELECT response_n, response_max_ms, release_mean_ms, release_n, missed FROM results"
            " ORDER BY run_id"
        ).fetchall()
    assert purposes == ["own timing", "commissioning", "valve"]
    assert figures == [(4, 55.5, 30.25, 3, 2), (None,) * 5, (None,) * 5]


def fill_form(path):
    """Rows in every table that this form has, with what its columns ask for, by plain SQL."""
    with plain(path) as db:
        db.execute("PRAGMA foreign_keys = OFF")
        for table in counts(path):
            columns = db.execute(f"PRAGMA table_info({table})").fetchall()
            names = ", ".join(column[1] for column in columns)
            values = ", ".join(_value(table, name, kind) for _, name, kind, *_ in columns)
            db.execute(f"INSERT INTO {table} ({names}) VALUES ({values})")
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []


def _value(table, name, kind):
    special = {
        "source": "'board'",
        "status": "'finished'",
        "how": "'typed'",
        "type": "'image/jpeg'",
        "purpose": "'valve'",
    }
    if (table, name) in (
        ("conditions", "text"), ("attachments", "valve_id"), ("attachments", "job_id")
    ):  # fmt: skip
        return "NULL"
    return special.get(name) or {"INTEGER": "1", "REAL": "1.5", "BLOB": "x'00'"}.get(kind, "'x'")


def test_rebuilding_a_parent_table_keeps_its_children(path, tmp_path):
    fill(path)
    before = counts(path)
    schema.upgrade(path, extra=migration(tmp_path))
    assert revision(path) == "9001"
    assert counts(path) == before
    with plain(path) as db:
        assert db.execute("SELECT DISTINCT weather FROM runs").fetchall() == [("",)]
        sql = db.execute("SELECT sql FROM sqlite_master WHERE name = 'runs'").fetchone()[0]
    assert "STRICT" in sql
    assert "AUTOINCREMENT" in sql
    assert "ck_runs_source" in sql
    assert "ck_runs_status" not in sql


def test_with_foreign_keys_on_the_same_rebuild_fails_or_loses_rows(path, tmp_path, monkeypatch):
    """Why the upgrade's connection has them off: this is what they do to it."""
    fill(path)
    before = counts(path)
    really = schema.open_engine
    monkeypatch.setattr(
        schema, "open_engine", lambda p, **k: really(p, **{**k, "foreign_keys": True})
    )
    try:
        schema.upgrade(path, extra=migration(tmp_path))
    except Exception as error:
        assert "FOREIGN KEY" in str(error)
    else:
        assert counts(path) != before


def test_an_upgrade_copies_the_log_first(path, tmp_path):
    fill(path)
    with RunLog(path) as busy:  # pages still in the write-ahead log belong into the copy
        busy.append_chunk(1, 1, text(1, 90))
        before = counts(path)
        schema.upgrade(path, extra=migration(tmp_path))
    (copy,) = path.parent.glob("runs.sqlite.before-*")
    assert revision(copy) == REVISIONS[-1]
    assert counts(copy) == before
    with RunLog(copy, readonly=True) as kept:
        assert list(kept.load(1).records()) == [*samples(7), *samples(1, 90)]


def test_a_new_log_is_not_copied(path):
    RunLog(path).close()
    assert [p.name for p in path.parent.iterdir()] == ["runs.sqlite"]


def test_no_copy_no_upgrade(path, tmp_path, monkeypatch):
    fill(path)
    before = counts(path)
    path.with_name("runs.sqlite.before-x").write_text("an earlier copy")
    monkeypatch.setattr(schema, "_stamp", lambda: "x")
    with pytest.raises(StorageError, match=r"could not be copied .* nothing was changed"):
        schema.upgrade(path, extra=migration(tmp_path))
    assert (revision(path), counts(path)) == (REVISIONS[-1], before)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("op.execute('DELETE FROM valves')", "without their parent; nothing was changed"),
        ("raise RuntimeError('half way')", "half way"),
    ],
)
def test_a_failed_upgrade_changes_nothing(path, tmp_path, more, words):
    fill(path)
    before = counts(path)
    with pytest.raises((StorageError, RuntimeError), match=words):
        schema.upgrade(path, extra=migration(tmp_path, more))
    assert (revision(path), counts(path)) == (REVISIONS[-1], before)
    with RunLog(path) as log:
        assert list(log.load(1).records()) == samples(7)


def test_an_older_form_is_upgraded_before_reading(path, monkeypatch):
    fill(path)
    steps = []
    monkeypatch.setattr(schema, "REVISIONS", (*REVISIONS, "9001"))
    monkeypatch.setattr(schema, "upgrade", lambda *a, **k: steps.append("upgrade") or stamp(path))
    with pytest.raises(OldLogError, match="not yet upgraded"):
        RunLog(path, readonly=True)
    with RunLog.reading(path) as log:
        assert len(log.runs()) == 3
    assert steps == ["upgrade"]


def stamp(path: Path) -> None:
    with plain(path) as db:
        db.execute("UPDATE alembic_version SET version_num = '9001'")
