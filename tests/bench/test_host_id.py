"""The daemon's own word on MQTT: two benches of one computer do not speak under one name."""

from pathlib import Path

from nightturn.bench.runs import host_id, host_name
from nightturn.telemetry.topics import Topics


def test_two_data_roots_of_one_host_have_topics_of_their_own(tmp_path: Path) -> None:
    roots = [tmp_path / "cellar", tmp_path / "crane-hall"]
    topics = {Topics("quillfen", host_id(root)).host_state() for root in roots}
    assert len(topics) == 2
    assert all(f"/host/{host_name()}-" in topic for topic in topics)


def test_each_start_on_a_root_has_the_same_topic_however_the_root_is_named(tmp_path: Path) -> None:
    root = tmp_path / "cellar"
    root.mkdir()
    (tmp_path / "nights").symlink_to(root)
    assert host_id(root) == host_id(tmp_path / "nights") == host_id(root / ".." / "cellar")
