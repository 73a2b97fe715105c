"""The class lengths of a tier by buffers and differences in PostGIS, in a server of our own that lives for a while.

Debian's `postgresql` and `postgresql-NN-postgis-3` are enough. The server listens on a socket in its temporary folder
and nowhere else. Nothing that PostgreSQL writes need survive, so it is told not to wait for the disk.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import shapely

from bench.field import BenchField
from bench.routes import QUAD_SEGS, limits_m

SETTINGS = {
    "listen_addresses": "", "fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "jit": "off",
    "shared_buffers": "512MB", "work_mem": "256MB", "maintenance_work_mem": "256MB",
    "max_parallel_workers_per_gather": "2", "min_parallel_table_scan_size": "0", "parallel_setup_cost": "10",
    "autovacuum": "off",
}  # fmt: skip
BAND = """
CREATE UNLOGGED TABLE band AS
  SELECT ST_Buffer(geom, {half_width}, 'endcap=flat quad_segs={quad_segs}') AS geom FROM strips;
CREATE INDEX ON band USING gist (geom);
ANALYZE band;
"""
# Every row less all bands that it meets, joined first, so that a row is cut once. As a group per row and not as a query
# for each, for that the server does with both cores.
OUTSIDE = """
SELECT sum(ST_Length(coalesce(ST_Difference(planted.geom, met.geom), planted.geom)))
  FROM planted LEFT JOIN
    (SELECT r.id, ST_Union(b.geom) AS geom FROM planted r JOIN band b ON ST_Intersects(b.geom, r.geom) GROUP BY r.id) met
    USING (id);
DROP TABLE band;
"""


class NoServerError(Exception):
    """PostGIS cannot be started here, and why."""


@dataclass(frozen=True)
class Server:
    """A server that runs, and the words that begin its commands."""

    folder: Path
    programs: Path
    as_user: tuple[str, ...]

    def call(self, program: str, *arguments: str, stdin: str | None = None) -> str:
        """Run one of PostgreSQL's programs; returns what it says."""
        done = subprocess.run(
            [*self.as_user, str(self.programs / program), *arguments], input=stdin, capture_output=True, text=True,
            cwd=self.folder,
        )  # fmt: skip
        if done.returncode:
            raise NoServerError(f"{program}: {done.stderr.strip()[-400:]}")
        return done.stdout

    def sql(self, text: str) -> str:
        """Run SQL; returns the cells of what it selects."""
        told = ["-h", str(self.folder), "-d", "postgres", "-qAtX", "-v", "ON_ERROR_STOP=1", "-f", "-"]
        return self.call("psql", *told, stdin=text)


@contextmanager
def started() -> Iterator[Server]:
    """A server in a temporary folder, stopped at the end.

    Raises
    ------
    NoServerError
        If PostgreSQL or PostGIS is not there, or does not start.
    """
    programs = _programs()
    # Its socket lies in it, and the path of a socket must be short.
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    try:
        server = Server(folder, programs, _other_user(folder))
        server.call("initdb", "-D", str(folder / "data"), "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        told = " ".join(f"-c {name}='{value}'" for name, value in SETTINGS.items())
        log = str(folder / "log")
        server.call("pg_ctl", "-D", str(folder / "data"), "-w", "-l", log, "-o", f"{told} -k {folder}", "start")
        try:
            server.sql("CREATE EXTENSION postgis;")
            yield server
        finally:
            server.call("pg_ctl", "-D", str(folder / "data"), "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _programs() -> Path:
    """Where the newest of Debian's versions has its programs, or those on the path."""
    homes = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parents[1].name))
    found = str(homes[-1]) if homes else shutil.which("initdb")
    if not found:
        raise NoServerError("no initdb: apt-get install postgresql postgresql-15-postgis-3, or of the version there is")
    return Path(found).parent


def _other_user(folder: Path) -> tuple[str, ...]:
    """PostgreSQL refuses root: then as the user that its package makes."""
    if os.getuid():
        return ()
    try:
        shutil.chown(folder, "postgres", "postgres")
    except LookupError as error:
        raise NoServerError("PostgreSQL does not run as root, and there is no user postgres") from error
    return ("runuser", "-u", "postgres", "--")


def load(server: Server, field: BenchField) -> None:
    """Lay the field's lines into tables with spatial indexes; not timed, since ours has them in memory as well."""
    for name, lines in (("strips", field.strips), ("planted", field.rows)):
        rows = "\n".join(shapely.to_wkb(lines, hex=True))
        server.sql(
            f"CREATE UNLOGGED TABLE {name} (id serial PRIMARY KEY, geom geometry(LineString));\n"
            f"COPY {name} (geom) FROM STDIN;\n{rows}\n\\.\n"
            f"CREATE INDEX ON {name} USING gist (geom);\nANALYZE {name};\n"
        )


def differences(server: Server, field: BenchField, tier: str) -> list[float]:
    """Row length outside the hold and the reach band of a tier [m].

    One polygon a strip: in pieces of 20 segments, whose boxes are narrower, it took twice as long.
    """
    out = []
    for half_width in limits_m(field, tier):
        if half_width <= 0:
            out.append(field.row_length_m)
            continue
        band = BAND.format(half_width=half_width, quad_segs=QUAD_SEGS)
        out.append(float(server.sql(band + OUTSIDE)))
    return out
