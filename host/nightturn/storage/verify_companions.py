"""Is every file that was sealed with a raw chunk still there, alone or as a part of a joined one, with the rows that it had?"""

from collections.abc import Callable, Mapping, Sequence

from nightturn.storage import paths
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.companions import Companion, companions_of

Key = tuple[str, str]
"""Dataset and file name."""


class CompanionCheck:
    """Of one run; `read` every file, then `check`.

    Args:
        problem: takes kind, path and detail of what is wrong.
        unchecked: sentences on what cannot be known.
    """

    def __init__(self, problem: Callable[[str, str, str], None], unchecked: list[str]) -> None:
        self._problem = problem
        self._unchecked = unchecked
        self._rows: dict[Key, int] = {}  # of each file that could be read
        self._joined: dict[Key, tuple[ChunkFile, int]] = {}  # part -> what it was joined into, its rows

    def read(self, each: ChunkFile, dataset: str, rows: int) -> None:
        """A file could be read and has so many rows."""
        self._rows[dataset, each.name.text] = rows
        parts = each.parts
        if parts and sum(part.rows for part in parts) != rows:
            self._problem("identity", each.path, f"has {rows} rows, which are not those of its parts")
        for part in parts:
            self._joined[dataset, part.name] = (each, part.rows)

    def check(self, listed: Mapping[str, Sequence[ChunkFile]]) -> None:
        """Each raw chunk names the files that were sealed with it: none is absent, exchanged or too many."""
        present = {(dataset, each.name.text): each for dataset in listed for each in listed[dataset]}
        present |= {part: each for part, (each, _) in self._joined.items()}
        told: set[Key] = set()
        spoke: set[str] = set()  # raw chunks that say what belongs to them
        before = 0
        for raw in listed[paths.RAW]:
            if (paths.RAW, raw.name.text) not in self._rows:
                continue  # it cannot be read, and is named for it
            said = companions_of(raw.facts)
            if said is None:
                before += 1
                continue
            spoke.update(_stem(part.name) for part in raw.parts or (Companion(paths.RAW, raw.name.text, 0),))
            for each in said:
                told.add((each.dataset, each.name))
                self._companion(each, raw, present.get((each.dataset, each.name)))
        for (dataset, name), file in present.items():
            if dataset != paths.RAW and (dataset, name) not in told and _stem(name) in spoke:
                self._problem("stray", file.path, "no raw chunk says that it belongs to the run")
        if before:
            chunks = f"{before} chunk{'s' if before > 1 else ''}"
            self._unchecked.append(
                f"whether small files of {chunks} are absent: no chunk of that version says"
            )

    def _companion(self, told: Companion, raw: ChunkFile, there: ChunkFile | None) -> None:
        rows = f"{told.rows} row{'s' if told.rows > 1 else ''}"
        if there is None:
            path = f"{told.dataset}/{raw.path.partition('/')[2].rpartition('/')[0]}/{told.name}"
            self._problem(
                "missing_file",
                path,
                f"is absent: {rows} of {told.dataset} sealed with chunk {raw.name.chunk_no}",
            )
        elif self._rows_of(told) != told.rows:
            self._problem("identity", there.path, f"was sealed with {rows}")

    def _rows_of(self, told: Companion) -> int:
        """Rows found of a file, alone or as a part; what it should be where it could not be read, and was named for it."""
        key = (told.dataset, told.name)
        return self._joined[key][1] if key in self._joined else self._rows.get(key, told.rows)


def _stem(name: str) -> str:
    """Of a chunk's file name: what is known before its content is."""
    return name.rpartition("-")[0] + "-"
