"""Kept readings made again by the workers of a real Dask cluster: the numbers are those of this process."""

import pytest
import soundfile

from tests.typed_commands import at_bench, opened, run, run_json
from vibekit.rig import draw_craft, record

MOTORS = ("north-east", "south-west")


@pytest.fixture
def bench(tmp_path, monkeypatch, capsys):
    at_bench(tmp_path, monkeypatch)
    for rotor, position in enumerate(MOTORS):
        recording, _ = record(draw_craft(4), rotor=rotor, test="bare", duration_s=2.0)
        soundfile.write(f"{position}.wav", recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
        status, _, err = run(capsys, "add", "wren.toml", position, f"{position}.wav", "--test", "bare")
        assert status == 0, err


def test_a_cluster_makes_the_same_numbers_and_says_what_is_lost(bench, capsys):
    distributed = pytest.importorskip("distributed", reason="the package distributed is not installed")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=2, dashboard_address=None) as cluster:
        found = run_json(capsys, "archive", "remake", "--dask", cluster.scheduler_address)["readings"]
        assert sorted((one["position"], one["state"]) for one in found) == [(position, "same") for position in MOTORS]
        with opened() as archive:
            gone = archive.readings("Wren-4")[0]
            gone.stored.unlink()
        status, out, _ = run(capsys, "archive", "remake", "--dask", cluster.scheduler_address)
    assert status == 1
    assert f"{gone.position}, {gone.name}: lost" in out
    assert out.count(": same") == len(MOTORS) - 1


def test_an_address_where_nothing_answers_is_one_line(bench, capsys, monkeypatch):
    pytest.importorskip("distributed", reason="the package distributed is not installed")
    monkeypatch.setattr("vibekit.commands.remaking.PATIENCE_S", 1)
    status, _, err = run(capsys, "archive", "remake", "--dask", "tcp://127.0.0.1:9")
    assert status == 2
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in err
