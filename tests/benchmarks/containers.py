"""The same columns in other containers, for a comparison of size and speed with ours: what a general tool gives by itself, and tuned.

Each takes a table of integers and writes one file, or one folder; each reads all columns back, which are compared once.
Chunks have as many samples as a row group of ours has rows.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq
import zarr
from zarr.codecs import BloscCodec, ZstdCodec

from nightturn.storage import parquet

Column = npt.NDArray[np.generic]
Columns = dict[str, Column]


@dataclass(frozen=True, slots=True)
class Container:
    """One way to keep columns: `write` to a place that is not there yet, `read` all of them back."""

    name: str
    write: Callable[[pa.Table, Columns, Path], object]
    read: Callable[[Path], Columns]


def columns_of(table: pa.Table) -> Columns:
    """The columns as arrays; time as integer nanoseconds."""
    plain = table.set_column(0, "ts", table["ts"].cast(pa.int64())) if "ts" in table.column_names else table
    return {name: plain[name].to_numpy() for name in plain.column_names}


# The facts of a chunk's footer are left out: they are no columns, and some 14 kB whatever the chunk's length.
def _ours(table: pa.Table, _columns: Columns, place: Path) -> None:
    place.write_bytes(parquet.encode(table, "raw", {}).content)


def _table_at(place: Path) -> Columns:
    return columns_of(pq.ParquetFile(place).read(use_threads=False))


def _checked_table_at(place: Path) -> Columns:
    return columns_of(pq.ParquetFile(place, page_checksum_verification=True).read(use_threads=False))


def _hdf5(place: Path, columns: Columns, **filters: object) -> None:
    with h5py.File(place, "w") as file:
        for name, values in columns.items():
            chunks = (min(parquet.ROW_GROUP_ROWS, len(values)),)
            file.create_dataset(name, data=values, chunks=chunks, **filters)


def _hdf5_at(place: Path) -> Columns:
    with h5py.File(place, "r") as file:
        return {name: file[name][:] for name in file}


def _zarr(place: Path, columns: Columns, compressors: BloscCodec | ZstdCodec) -> None:
    group = zarr.create_group(store=str(place), zarr_format=3)
    for name, values in columns.items():
        chunks = (min(parquet.ROW_GROUP_ROWS, len(values)),)
        array = group.create_array(
            name=name, shape=values.shape, dtype=values.dtype, chunks=chunks, compressors=compressors
        )
        array[:] = values


def _zarr_at(place: Path) -> Columns:
    group = zarr.open_group(store=str(place), mode="r")
    return {name: np.asarray(array[:]) for name, array in group.arrays()}


CONTAINERS = (
    Container("ours, checksums on when read", _ours, _checked_table_at),
    Container("Parquet, plain write_table", lambda table, _, place: pq.write_table(table, place), _table_at),
    Container(
        "Parquet, zstd",
        lambda table, _, place: pq.write_table(table, place, compression="zstd"),
        _table_at,
    ),
    Container(
        "HDF5, shuffle and deflate 4",
        lambda _, columns, place: _hdf5(
            place, columns, shuffle=True, compression="gzip", compression_opts=4, fletcher32=True
        ),
        _hdf5_at,
    ),
    Container(
        "Zarr 3, zstd 3", lambda _, columns, place: _zarr(place, columns, ZstdCodec(level=3)), _zarr_at
    ),
    Container(
        "Zarr 3, blosc zstd 5 and shuffle",
        lambda _, columns, place: _zarr(
            place, columns, BloscCodec(cname="zstd", clevel=5, shuffle="shuffle")
        ),
        _zarr_at,
    ),
)


def size_of(place: Path) -> int:
    """Bytes of a file, or of all files of a folder."""
    files = place.rglob("*") if place.is_dir() else (place,)
    return sum(file.stat().st_size for file in files if file.is_file())
