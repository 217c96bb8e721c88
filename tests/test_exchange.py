import hashlib
import json
import zipfile

import pytest

from tests.test_archive import CRAFT, WREN, fill, new_reading, recording
from vibekit.archive import Archive
from vibekit.checking import check
from vibekit.craft_file import craft_from
from vibekit.errors import UnreadableError, UsageError
from vibekit.exchange import MANIFEST, SEAL, take_in, take_out
from vibekit.packing import pack
from vibekit.place import find_place

ROBIN = 'name = "Robin"\n[[rotor]]\nposition = "left"\n'


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    folder = tmp_path_factory.mktemp("source")
    with Archive(find_place(folder / "archive")) as archive:
        fill(archive, folder)
        archive.put_craft(ROBIN, craft_from(ROBIN, "robin.toml"))
        archive.put_readings(craft_from(ROBIN, "robin.toml"), [new_reading(recording(folder, "robin"), "left")])
        yield archive


@pytest.fixture
def taken(source, tmp_path):
    path = tmp_path / "all.zip"
    take_out(source, path)
    return path


@pytest.fixture
def goal(tmp_path):
    with Archive(find_place(tmp_path / "goal")) as archive:
        yield archive


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    """An archive into which nothing may ever come."""
    with Archive(find_place(tmp_path_factory.mktemp("empty"))) as archive:
        yield archive
        assert archive.crafts() == []
        assert list(archive.files.files()) == []


def contents(archive):
    names = [craft.name for craft in archive.crafts()]
    readings = [(r.id, r.position, r.setup, r.when, pack(r.reading), r.stored.read_bytes()) for n in names for r in archive.readings(n)]
    rest = [(archive.description(n), archive.inspections(n), archive.actions(n)) for n in names]
    return names, readings, rest


def test_what_is_taken_out_comes_in_whole_and_once(source, goal, tmp_path):
    path = tmp_path / "all.zip"
    out = take_out(source, path)
    assert (out.rows["craft"], out.rows["reading"], out.files) == (2, 3, 4)
    came = take_in(goal, path)
    assert (came.rows, came.files, came.known) == (out.rows, 4, 0)
    assert contents(goal) == contents(source)
    assert check(goal).problems == ()
    again = take_in(goal, path)
    assert sum(again.rows.values()) == again.files == 0
    assert again.known == sum(out.rows.values())
    assert contents(goal) == contents(source)


def test_one_craft_goes_without_the_others(source, goal, tmp_path):
    path = tmp_path / "wren.zip"
    take_out(source, path, ["Wren-4"])
    with zipfile.ZipFile(path) as inside:
        assert b"Robin" not in inside.read(MANIFEST)
        assert len(inside.namelist()) == 2 + 3
    take_in(goal, path)
    assert [craft.name for craft in goal.crafts()] == ["Wren-4"]


def test_two_benches_merge(source, goal, tmp_path):
    goal.put_craft(WREN, CRAFT)
    goal.put_readings(CRAFT, [new_reading(recording(tmp_path, "one")), new_reading(recording(tmp_path, "three"))])  # "one" is in both
    path = tmp_path / "wren.zip"
    take_out(source, path, ["Wren-4"])
    take_in(goal, path)
    assert sorted(kept.name for kept in goal.readings("Wren-4")) == ["one.wav", "three.wav", "two.wav"]
    assert check(goal).problems == ()


def test_a_namesake_is_refused(source, goal, tmp_path):
    other = WREN.replace("north-east", "bow")
    goal.put_craft(other, craft_from(other, "x.toml"))
    path = tmp_path / "wren.zip"
    take_out(source, path, ["Wren-4"])
    with pytest.raises(UsageError, match="another craft called 'Wren-4'"):
        take_in(goal, path)
    assert goal.readings("Wren-4") == []


def test_no_file_is_overwritten_and_no_unknown_craft_taken(source, tmp_path):
    path = tmp_path / "all.zip"
    with pytest.raises(UsageError, match="'Heron'"):
        take_out(source, path, ["Heron"])
    take_out(source, path)
    with pytest.raises(UsageError, match="exists"):
        take_out(source, path)
    stored = source.readings("Robin")[0].stored
    stored.rename(tmp_path / "away")
    with pytest.raises(UnreadableError, match="archive check"):
        take_out(source, tmp_path / "second.zip")
    (tmp_path / "away").rename(stored)
    assert not [file for file in tmp_path.iterdir() if "second" in file.name]


def rewrite(path, change, seal=True):
    """Write the zip again with `change` applied to {member: bytes}; with a seal that fits, as somebody who means harm would."""
    with zipfile.ZipFile(path) as inside:
        members = {name: inside.read(name) for name in inside.namelist()}
    change(members)
    if seal and MANIFEST in members:
        members[SEAL] = hashlib.sha256(members[MANIFEST]).hexdigest().encode()
    with zipfile.ZipFile(path, "w") as out:
        for name, data in members.items():
            out.writestr(name, data)


def in_manifest(change):
    def apply(members):
        manifest = json.loads(members[MANIFEST])
        change(manifest)
        members[MANIFEST] = json.dumps(manifest).encode()

    return apply


def sound(members):
    return next(name for name in members if name.endswith(".wav"))


TAMPERED = {
    "other bytes": lambda m: m.update({sound(m): m[sound(m)][:-1] + b"!"}),
    "longer bytes": lambda m: m.update({sound(m): m[sound(m)] + b"!"}),
    "file gone": lambda m: m.pop(sound(m)),
    "file more": lambda m: m.update({"files/extra.wav": b"x"}),
    "path outside": lambda m: m.update({"../outside": b"x"}),
    "no manifest": lambda m: m.pop(MANIFEST),
    "no JSON": lambda m: m.update({MANIFEST: b"{"}),
    "a list": lambda m: m.update({MANIFEST: b"[]"}),
    "other layout": in_manifest(lambda d: d.update(schema="vibekit.archive/9")),
    "other schema": in_manifest(lambda d: d.update(database="0009")),
    "table gone": in_manifest(lambda d: d["tables"].pop("reading")),
    "column gone": in_manifest(lambda d: d["tables"]["reading"][0].pop("test")),
    "column more": in_manifest(lambda d: d["tables"]["reading"][0].update(moon=1)),
    "wrong type": in_manifest(lambda d: d["tables"]["recording"][0].update(size="big")),
    "wrong moment": in_manifest(lambda d: d["tables"]["craft"][0].update(added_at="yesterday")),
    "moment without zone": in_manifest(lambda d: d["tables"]["craft"][0].update(added_at="2026-03-01T12:00:00")),
    "null": in_manifest(lambda d: d["tables"]["craft"][0].update(name=None)),
    "lost reference": in_manifest(lambda d: d["tables"]["recording"].pop()),
    "description changed": in_manifest(lambda d: d["tables"]["craft_version"][0].update(toml="name = 'Heron'")),
    "description broken": in_manifest(lambda d: d["tables"]["craft_version"][0].update(toml="nmae = 1")),
    "reading swapped": in_manifest(lambda d: d["tables"]["reading"][0]["reading"].update(sha256="0" * 64)),
    "reading broken": in_manifest(lambda d: d["tables"]["reading"][0].update(reading={})),
    "answer broken": in_manifest(lambda d: d["tables"]["inspection"][0].update(answers=[{"moon": 1}])),
    "path in a hash": in_manifest(lambda d: d["tables"]["photo"][0].update(suffix=".jpg/../../x")),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_what_was_tampered_with_is_refused_whole(taken, empty, tmp_path, name):
    rewrite(taken, TAMPERED[name])
    with pytest.raises((UnreadableError, UsageError), match="nothing was taken in") as caught:
        take_in(empty, taken)
    assert "\n" not in str(caught.value)
    assert empty.crafts() == []
    assert list(empty.files.files()) == []
    assert not (tmp_path / "outside").exists()


def test_a_changed_manifest_breaks_the_seal(taken, empty):
    rewrite(taken, in_manifest(lambda d: d["tables"]["part_action"][0].update(note="balanced too")), seal=False)
    with pytest.raises(UnreadableError, match="manifest was changed"):
        take_in(empty, taken)


def test_what_is_no_zip_is_named(empty, tmp_path):
    path = tmp_path / "photo.zip"
    for data in (b"", b"no zip at all", b"PK\x05\x06" + b"\0" * 18):
        path.write_bytes(data)
        with pytest.raises(UnreadableError, match=r"photo\.zip"):
            take_in(empty, path)
    with pytest.raises(UnreadableError, match="No such file"):
        take_in(empty, tmp_path / "none.zip")


def test_a_cut_file_is_refused(taken, empty):
    whole = taken.read_bytes()
    for size in range(0, len(whole), max(1, len(whole) // 40)):
        taken.write_bytes(whole[:size])
        with pytest.raises(UnreadableError):
            take_in(empty, taken)


def test_a_flipped_byte_does_no_harm(source, taken, goal):
    whole = taken.read_bytes()
    for at in range(0, len(whole), max(1, len(whole) // 80)):
        taken.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
        try:
            take_in(goal, taken)
        except (UnreadableError, UsageError):
            continue
        assert contents(goal) == contents(source)  # the byte stood for nothing that counts, such as a time stamp of the zip
    assert check(goal).problems == ()
