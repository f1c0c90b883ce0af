"""Files beside the data that are damaged, empty or of another version are kept aside, and recording goes on."""

from pathlib import Path

import msgspec
import pytest
from tests.bench.test_recovery import begun, killed, play
from tests.simulation.scene import CARD, settings_of

from nightturn.bench.cards import card_in_force
from nightturn.bench.runs import calibration_in_force
from nightturn.errors import CalibrationError
from nightturn.settings.load import append_card, read_card
from nightturn.settings.rig import Transducer
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.segment import encode_header, read_segment
from nightturn.storage.verify import verify

RESUME = settings_of(after_restart="resume")
BAD = {"empty": b"", "no JSON": b"{", "no UTF-8": b'{"fixture": "\xff"}', "another shape": b'{"fixture": 5}'}
FOLDER = "journal/pan-a1"


def open_tape(root: Path) -> Path:
    (path,) = (root / FOLDER).glob("*.ntj")
    return path


@pytest.mark.parametrize("content", BAD.values(), ids=BAD.keys())
def test_a_damaged_manifest_is_kept_aside_and_the_run_goes_on(tmp_path: Path, content: bytes) -> None:
    first = play(tmp_path, killed, 10.0, settings=RESUME)
    (manifest,) = (tmp_path / "runs" / "pan-a1").glob("*.json")
    manifest.write_bytes(content)
    second = play(tmp_path, None, 5.0, settings=RESUME)
    one, two = first.station.core.state, second.station.core.state
    assert one.run.opened is not None
    assert two.run.opened is not None
    assert two.run.opened.run == one.run.opened.run
    assert two.counts.samples > 4000
    assert manifest.with_name(manifest.name + ".unreadable").read_bytes() == content
    assert msgspec.json.decode(manifest.read_bytes())["card"] == two.run.opened.card
    assert msgspec.json.decode(manifest.read_bytes())["kept"]  # it may have been marked


def of_another_state(path: Path) -> None:
    """A snapshot of a version that is not known here, every checksum right."""
    content = path.read_bytes()
    segment = read_segment(content)
    journal = Journal(RealFiles(path.parents[2]), "pan-a1", _Clock())
    path.unlink()
    journal.open(segment.first_record_no, segment.header.run, 0, msgspec.msgpack.encode({"version": 99}))
    journal.write([record for _, record in segment.records()])
    journal.close()


def of_another_shape(path: Path) -> None:
    """A snapshot whose version is right and whose fields are not."""
    content = path.read_bytes()
    segment = read_segment(content)
    journal = Journal(RealFiles(path.parents[2]), "pan-a1", _Clock())
    path.unlink()
    state = msgspec.msgpack.encode({"version": 1, "planner": 7})
    journal.open(segment.first_record_no, segment.header.run, 0, state)
    journal.write([record for _, record in segment.records()])
    journal.close()


def of_another_major(path: Path) -> None:
    content = bytearray(path.read_bytes())
    whole = len(encode_header(read_segment(bytes(content)).header))
    content[8] = 9
    from crc32c import crc32c

    content[whole - 4 : whole] = crc32c(bytes(content[: whole - 4])).to_bytes(4, "little")
    path.write_bytes(content)


class _Clock:
    def monotonic_ns(self) -> int:
        return 1

    def utc_ns(self) -> int:
        return 1


@pytest.mark.parametrize("harm", [of_another_state, of_another_shape, of_another_major])
@pytest.mark.parametrize("sealed", [True, False])
def test_tape_of_another_version_is_kept_aside_and_the_run_goes_on_locked(
    tmp_path: Path, harm: object, sealed: bool
) -> None:
    assert callable(harm)
    first = play(tmp_path, killed, 15.0, settings=settings_of(chunk_s=10.0 if sealed else 3600.0))
    one = first.station.core.state
    harm(open_tape(tmp_path))
    found = begun(tmp_path)
    assert one.run.opened is not None
    assert (found.run, found.travel_unknown, bool(found.lost)) == (one.run.opened.run, True, True)
    assert found.first_record_no > one.record_no
    second = play(tmp_path, None, 10.0, settings=RESUME)
    two = second.station.core.state
    assert two.run.opened is not None
    assert two.run.opened.run == one.run.opened.run
    assert two.counts.samples > 8000
    assert two.motion.planner.command_no <= 2
    assert len(list((tmp_path / FOLDER).glob("*.unreadable"))) == 1


def test_when_nothing_can_be_read_any_more_the_next_run_is_locked(tmp_path: Path) -> None:
    first = play(tmp_path, killed, 8.0, settings=RESUME)
    of_another_state(open_tape(tmp_path))
    (manifest,) = (tmp_path / "runs" / "pan-a1").glob("*.json")
    manifest.write_bytes(b"\xff")
    second = play(tmp_path, None, 20.0, settings=RESUME, seed=2)
    state = second.station.core.state
    assert state.run.opened is not None
    assert first.station.core.state.run.opened is not None
    assert state.run.opened.run != first.station.core.state.run.opened.run
    assert state.motion.planner.command_no <= 2
    assert second.count("state_lost") == 1


@pytest.mark.parametrize("content", [b"\xff\xfe", b"no JSON\n", b"", b"\n"])
def test_a_damaged_calibration_file_gives_way_to_the_runs_own_or_the_rigs(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "calibrations" / "TR-204.jsonl"
    path.parent.mkdir()
    own = msgspec.json.encode(calibration_in_force(tmp_path, RESUME, 1)).decode()
    without = settings_of(transducer=Transducer(serial="TR-204"))
    path.write_bytes(content)
    assert calibration_in_force(tmp_path, without, 1, own).factor_nm_per_v == 4.0
    assert path.with_name("TR-204.jsonl.unreadable").read_bytes() == content
    path.write_bytes(content)
    assert calibration_in_force(tmp_path, RESUME, 1).factor_nm_per_v == 4.0
    path.write_bytes(content)
    with pytest.raises(CalibrationError, match="has no calibration"):
        calibration_in_force(tmp_path, without, 1)
    assert len(list(path.parent.iterdir())) == 3  # each kept under a name of its own


@pytest.mark.parametrize("content", [b"\xff\xfe", b""])
def test_a_runs_own_record_is_in_a_file_again_after_its_file_was_set_aside(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "calibrations" / "TR-204.jsonl"
    path.parent.mkdir()
    path.write_bytes(content)
    without = settings_of(transducer=Transducer(serial="TR-204"))
    from_rig = calibration_in_force(tmp_path / "none", RESUME, 1)
    record = msgspec.structs.replace(from_rig, id="K-77")
    assert calibration_in_force(tmp_path, without, 1, msgspec.json.encode(record).decode()) == record
    assert calibration_in_force(tmp_path, without, 1) == record  # as the next start finds it
    assert path.with_name("TR-204.jsonl.unreadable").read_bytes() == content


DAMAGED_CARDS = {"empty": b"", "torn": b'{"unit": "Q-0', "no UTF-8": b"\xff\xfe\n", "no card": b"{}\n"}


@pytest.mark.parametrize("content", DAMAGED_CARDS.values(), ids=DAMAGED_CARDS.keys())
def test_a_damaged_card_file_is_set_aside_and_the_runs_own_card_is_in_force_from_then_on(
    tmp_path: Path, content: bytes
) -> None:
    path = append_card(tmp_path, "pan-a1", CARD)
    path.write_bytes(content)
    assert card_in_force(tmp_path, "pan-a1", CARD) == CARD
    assert path.with_name("pan-a1.jsonl.unreadable").read_bytes() == content
    assert read_card(tmp_path, "pan-a1") == CARD
    path.write_bytes(content)
    assert card_in_force(tmp_path, "pan-a1", None) is None
    assert path.with_name("pan-a1.jsonl.unreadable-2").read_bytes() == content
    assert not path.exists()


def test_a_unit_that_was_taken_off_stays_off_whatever_the_run_had(tmp_path: Path) -> None:
    append_card(tmp_path, "pan-a1", msgspec.structs.replace(CARD, taken_off=True))
    assert card_in_force(tmp_path, "pan-a1", CARD) is None


@pytest.mark.parametrize("content", [b"", b"no database", b"SQLite format 3\0" + bytes(200)])
def test_a_damaged_catalogue_is_made_anew_from_the_files(tmp_path: Path, content: bytes) -> None:
    play(tmp_path, None, 8.0)
    Catalogue(tmp_path)
    path = tmp_path / "catalogue.sqlite"
    for beside in tmp_path.glob("catalogue.sqlite-*"):
        beside.unlink()
    whole = Catalogue(tmp_path).segments(), Catalogue(tmp_path).runs()
    assert whole[0]
    path.write_bytes(content)
    again = Catalogue(tmp_path)
    assert (again.segments(), again.runs()) == whole
    if content:
        assert path.with_name("catalogue.sqlite.unreadable").read_bytes() == content
    path.unlink()
    for beside in tmp_path.glob("catalogue.sqlite-*"):
        beside.unlink()
    assert Catalogue(tmp_path).segments() == whole[0]


def test_one_unreadable_file_keeps_no_other_out_of_the_catalogue(tmp_path: Path) -> None:
    play(tmp_path, None, 8.0)
    (manifest,) = (tmp_path / "runs" / "pan-a1").glob("*.json")
    chunk = next((tmp_path / "raw").rglob("*.parquet"))
    chunk.write_bytes(b"no parquet")
    manifest.write_bytes(b"\xff")
    catalogue = Catalogue(tmp_path)
    assert catalogue.runs() == []
    assert catalogue.segments()
    assert verify(tmp_path, run="all").ok is False
