"""Files beside the data that are damaged, empty or of another version are kept aside, and recording goes on."""

from pathlib import Path

import msgspec
import pytest
from tests.bench.test_recovery import begun, killed, play
from tests.simulation.scene import CARD, commands_sent, open_scene, run, settings_of

from nightturn.bench.cards import card_in_force
from nightturn.bench.runs import calibration_in_force, rig_record_in_use
from nightturn.bench.unrestored import UNNAMED
from nightturn.errors import CalibrationError
from nightturn.model.cards import MountCard
from nightturn.settings.load import append_card, read_card
from nightturn.settings.rig import Transducer
from nightturn.storage import paths, tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import Manifest
from nightturn.storage.segment import encode_header, read_segment
from nightturn.storage.verify import verify

RESUME = settings_of(after_restart="resume")
BAD = {"empty": b"", "no JSON": b"{", "no UTF-8": b'{"fixture": "\xff"}', "another shape": b'{"fixture": 5}'}
FOLDER = "journal/pan-a1"
BEFORE = msgspec.structs.replace(CARD, unit="Q-0110", mounted_utc="2026-05-04T17:00:00Z")


def a_run_that_ends(root: Path, *, card: MountCard, later_s: float = 0.0) -> Path:
    """Turned, stopped and closed; its manifest."""

    async def act() -> None:
        scene = open_scene(root, card=card, later_s=later_s)
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        await scene.until(scene.station.ended.is_set, 30)
        await scene.station.close()

    run(act)
    return max((root / "runs" / "pan-a1").glob("*.json"))


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


@pytest.mark.parametrize("content", BAD.values(), ids=BAD.keys())
def test_a_card_counts_as_used_up_although_the_manifest_of_its_run_is_damaged(
    tmp_path: Path, content: bytes
) -> None:
    a_run_that_ends(tmp_path, card=BEFORE)  # an older run, which must not be taken for the newest
    manifest = a_run_that_ends(tmp_path, card=CARD, later_s=60.0)
    whole = msgspec.json.decode(manifest.read_bytes(), type=Manifest)
    manifest.write_bytes(content)
    for _ in range(2):  # the second start finds what the first has made of it
        beginning = begun(tmp_path)
        assert beginning.run == ""
        assert beginning.used_card == whole.card
        assert beginning.before == whole.travel
        assert beginning.travel_unknown is False
    again = msgspec.json.decode(manifest.read_bytes(), type=Manifest)
    assert again == msgspec.structs.replace(whole, kept=True)


def test_a_card_that_nobody_can_tell_from_a_used_one_opens_a_locked_run_that_says_mount_anew(
    tmp_path: Path,
) -> None:
    a_run_that_ends(tmp_path, card=BEFORE)
    manifest = a_run_that_ends(tmp_path, card=CARD, later_s=60.0)
    manifest.write_bytes(b"")
    for segment in (tmp_path / FOLDER / "sealed").glob("*.ntj"):
        segment.unlink()
    for _ in range(2):  # a start that fails changes nothing about it
        beginning = begun(tmp_path)
        assert (beginning.lost, beginning.travel_unknown, beginning.used_card) == (UNNAMED, True, "")
    scene = play(tmp_path, None, 8.0, later_s=120.0)
    permission = scene.station.core.state.motion.permission
    assert permission.reasons[0].text == UNNAMED
    assert scene.count("motion_allowed") == 0
    (told,) = [event for event in scene.events if event.kind == "state_lost"]
    assert "the card it used up" in told.detail
    assert told.detail.endswith("check the cable, then mount")


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
    assert (found.run, found.travel_unknown) == (one.run.opened.run, True)
    assert "is of another version and was set aside" in found.lost
    assert found.first_record_no > one.record_no
    second = play(tmp_path, None, 10.0, settings=RESUME)
    two = second.station.core.state
    assert two.run.opened is not None
    assert two.run.opened.run == one.run.opened.run
    assert two.counts.samples > 8000
    assert commands_sent(two) <= 2
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
    assert commands_sent(state) <= 2
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


def everything(catalogue: Catalogue) -> tuple[object, ...]:
    run = paths.checked_run(max((catalogue.root / "runs" / "pan-a1").iterdir()).stem)
    return catalogue.segments(), *(catalogue.chunks("pan-a1", run, dataset) for dataset in tree.DATASETS)


@pytest.mark.parametrize("content", [b"", b"no database", b"SQLite format 3\0" + bytes(200)])
def test_a_damaged_catalogue_is_made_anew_from_the_files(tmp_path: Path, content: bytes) -> None:
    play(tmp_path, None, 8.0)
    Catalogue(tmp_path)
    path = tmp_path / "catalogue.sqlite"
    for beside in tmp_path.glob("catalogue.sqlite-*"):
        beside.unlink()
    whole = everything(Catalogue(tmp_path))
    assert whole[0]
    path.write_bytes(content)
    again = Catalogue(tmp_path)
    assert everything(again) == whole
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
    assert catalogue.segments()
    assert verify(tmp_path, run="all").ok is False


def test_a_rig_record_is_taken_as_it_holds_and_a_damaged_file_costs_no_night(tmp_path: Path) -> None:
    root = tmp_path / "nights"
    assert rig_record_in_use(root, RESUME, 1) == ""
    record = (
        f'{{"id":"R-1","fixture":"{RESUME.id}","how":"arbor run","transducer":"TR-1","reference":"absolute","speed_rpm":3.0,'
        '"orders":[{"order":1,"amplitude_nm":0.004,"phase_rad":0.2,"u_nm":0.0001}],"valid_from":"2026-01-12T00:00:00Z"}'
    )
    file = root / "rigs" / f"{RESUME.id}.jsonl"
    file.parent.mkdir(parents=True)
    file.write_text(record + "\n", encoding="utf-8")
    day = 1_800_000_000 * 10**9
    held = rig_record_in_use(root, RESUME, day)
    assert '"id":"R-1"' in held
    assert rig_record_in_use(root, RESUME, 1) == ""  # not valid yet

    file.write_text(record[:40], encoding="utf-8")
    assert rig_record_in_use(root, RESUME, day, held) == held  # a run that goes on keeps its own
    assert not file.exists()
    assert [each.name.startswith(f"{RESUME.id}.jsonl.") for each in file.parent.iterdir()] == [True]
    assert rig_record_in_use(root, RESUME, day) == ""
