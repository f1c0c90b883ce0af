"""Every dataset in three readers, each with real UTC timestamps to the nanosecond."""

from pathlib import Path

import duckdb
import msgspec
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest
from tests.storage.scenario import RUN, cycle_record
from tests.storage.store import full_night

from nightturn.estimation.figures import FIGURES
from nightturn.storage import datasets, tree

TIMES = ("ts", "ts_from", "ts_start")


@pytest.fixture(scope="module")
def night_root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("night")
    full_night(root)
    return root


@pytest.mark.parametrize("dataset", tree.DATASETS)
def test_duckdb_pandas_and_polars_read_the_same_rows_and_times(night_root: Path, dataset: str) -> None:
    folder = night_root / dataset
    glob = f"{folder}/**/*.parquet"
    time = next(name for name in TIMES if name in pl.scan_parquet(glob).collect_schema().names())
    by_polars = pl.read_parquet(glob, hive_partitioning=True).sort(time)
    by_pandas = pd.read_parquet(folder).sort_values(time)
    query = f"select *, epoch_ns({time}) as ns from read_parquet('{glob}', hive_partitioning = true) order by {time}"
    with duckdb.connect(":memory:", config={"autoinstall_known_extensions": "false"}) as connection:
        kinds = connection.execute(f"select typeof({time}) from read_parquet('{glob}') limit 1").fetchall()
        by_duckdb = [row[0] for row in connection.execute(f"select ns from ({query})").fetchall()]

    assert [kind.startswith("TIMESTAMP") for (kind,) in kinds] == [True]
    assert by_polars.schema[time] == pl.Datetime("ns", "UTC")
    assert str(by_pandas[time].dtype) == "datetime64[ns, UTC]"
    expected = by_pandas[time].astype("int64").tolist()
    assert by_polars[time].cast(pl.Int64).to_list() == expected
    assert by_duckdb == expected
    assert len(expected) > 0
    assert set(by_pandas["run"].astype(str)) == {RUN}


@pytest.mark.parametrize("dataset", [d for d in tree.DATASETS if d != "raw"])
def test_every_column_of_a_number_that_has_a_unit_names_it(night_root: Path, dataset: str) -> None:
    schema = pq.read_schema(next((night_root / dataset).rglob("*.parquet")))
    for field in schema:
        suffix = field.name.rpartition("_")[2]
        if suffix in {"nm", "degc", "rpm", "ppm", "ns"}:
            assert (field.metadata or {}).get(b"unit"), field.name


def test_cycles_have_six_columns_and_the_method_for_every_figure() -> None:
    table = datasets.cycles_table([cycle_record()])
    row = table.to_pylist()[0]

    for spec in FIGURES.values():
        for part in ("", "_u", "_nu", "_n_rev", "_status", "_reasons", "_method"):
            assert spec.name + part in row
        assert (table.schema.field(spec.name).metadata or {})[b"unit"].decode() == spec.unit
    assert (row["friction_nm"], row["friction_nm_u"], row["friction_nm_nu"]) == (0.110, 0.001, 3.0)
    assert (row["friction_nm_kind"], row["ripple_pp_nm_kind"]) == ("budget", "repeatability")
    assert (row["friction_nm_n_rev"], row["friction_nm_status"]) == (4, "ok")
    assert (row["ripple_pp_nm"], row["ripple_pp_nm_status"]) == (None, "refused")
    assert row["ripple_pp_nm_reasons"] == ["too few revolutions"]
    assert row["cogging_pp_nm"] is None
    assert (row["temp_bearing_degc"], row["temp_ambient_degc"]) == (31.5, None)
    plain = {"order": 16, "amplitude_nm": 0.02, "phase_rad": 0.5, "u_nm": 0.001}
    assert row["orders"][0] == {**plain, "origin": ""}  # of a record from before orders had one
    named = msgspec.structs.replace(cycle_record(), origins=("current of the unit (1 × 16 pole pairs)",))
    first = datasets.cycles_table([named]).to_pylist()[0]["orders"][0]
    assert first == {**plain, "origin": "current of the unit (1 × 16 pole pairs)"}
    assert (row["verdict"], row["verdict_reasons"]) == ("accept", ["friction inside its limit"])


def test_cycles_of_any_chunk_have_the_same_columns() -> None:
    assert datasets.cycles_table([cycle_record(1)]).schema.equals(
        datasets.cycles_table([cycle_record(2)]).schema
    )
