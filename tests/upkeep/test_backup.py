"""A backup is one whole file or none; it comes back elsewhere, also from an older version; damaged it is refused."""

from __future__ import annotations

import gzip
import io
import json
import os
import shutil
import sqlite3
import tarfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from agent import backup as backups
from agent.backup import BackupFault, verify
from agent.io.chain import BEGINNING, LogRow, link
from agent.io.inbox import Inbox, InboxReader
from agent.io.journal import Journal, JournalReader
from agent.io.migrations import JOURNAL, version_of
from dashboards.people import People, fits, open_store
from tests.faults.harness import Transmitter, Works
from tests.upkeep.shop import PASSWORD, call, files_below, write_site


@pytest.fixture(scope="module")
def backup(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("backup") / "shop.tar.gz"
    assert call("backup", filled / "site.toml", file) == 0
    return file


def all_rows(path: Path) -> list[LogRow]:
    with closing(JournalReader(path)) as reader:
        return reader.rows_after(0, 1_000_000)


def restore(file: Path, to: Path, *more: object) -> int:
    return call("restore", file, "--to", to, "--site", to / "site.toml", *more)


def rewritten(file: Path, target: Path, change: Callable[[str, bytes], bytes | None], more: str | None = None) -> Path:
    """The backup with some members changed or left out, and perhaps one more, as somebody might doctor it."""
    with tarfile.open(file) as old, tarfile.open(target, "w:gz") as new:
        members = [(m.name, old.extractfile(m).read()) for m in old]  # type: ignore[union-attr]
        for name, body in [*members, *([(more, b"x")] if more else [])]:
            changed = change(name, body)
            if changed is not None:
                info = tarfile.TarInfo(name)
                info.size = len(changed)
                new.addfile(info, io.BytesIO(changed))
    return target


def test_everything_comes_back_on_another_machine(filled: Path, backup: Path, tmp_path: Path) -> None:
    assert restore(backup, tmp_path / "new") == 0
    new = tmp_path / "new"
    assert all_rows(new / "state/journal.sqlite") == all_rows(filled / "state/journal.sqlite")
    for name in ("site.toml", "curves/mill-2.toml"):
        assert (new / name).read_bytes() == (filled / name).read_bytes()
    with closing(InboxReader(new / "inbox/inbox.sqlite")) as box:
        assert [word.person for word in box.after(0)] == ["Ana"]
    with closing(open_store(new / "inbox/people.sqlite")) as store:
        person, hashed = People(store).named("Ana")
        assert person is not None and fits(hashed, PASSWORD)
    assert call("check", new / "site.toml") == 0


def test_it_is_for_its_owner_s_eyes_and_leaves_nothing_beside_it(backup: Path) -> None:
    assert backup.stat().st_mode & 0o777 == 0o600
    assert os.listdir(backup.parent) == [backup.name]


def test_verify_tells_that_it_is_whole(backup: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("backup", "--verify", backup) == 0
    assert "whole: 5 files" in capsys.readouterr().out


def unpacked(packed: bytes) -> bytes | None:
    """What is in it; None where it does not come out."""
    try:
        return gzip.decompress(packed)
    except (EOFError, OSError, zlib.error):
        return None


@pytest.mark.parametrize("at", [0.02, 0.3, 0.6, 0.98, -30, -6])
def test_a_damaged_byte_is_found(backup: Path, tmp_path: Path, at: float) -> None:
    """Anywhere: in a part, in what pads the end, in the sum over all."""
    whole = backup.read_bytes()
    place = int(at * len(whole)) if at > 0 else len(whole) + int(at)
    hurt = whole
    while unpacked(hurt) == unpacked(whole):  # some bytes are of no meaning: what comes out is the same
        hurt = whole[:place] + bytes([whole[place] ^ 0x5A]) + whole[place + 1 :]
        place -= 1
    (tmp_path / "hurt").write_bytes(hurt)
    with pytest.raises(BackupFault):
        verify(tmp_path / "hurt")


@pytest.mark.parametrize("share", [0.0, 0.5, 0.999])
def test_half_a_backup_is_none(backup: Path, tmp_path: Path, share: float) -> None:
    packed = backup.read_bytes()
    (tmp_path / "half").write_bytes(packed[: int(share * len(packed))])
    with pytest.raises(BackupFault):
        verify(tmp_path / "half")


def test_a_missing_or_strange_part_is_found(backup: Path, tmp_path: Path) -> None:
    without = rewritten(backup, tmp_path / "a", lambda name, body: None if name == "inbox.sqlite" else body)
    with pytest.raises(BackupFault, match="lacks inbox.sqlite"):
        verify(without)
    with pytest.raises(BackupFault, match="knows nothing"):
        verify(rewritten(backup, tmp_path / "b", lambda name, body: body, more="more.toml"))


def test_a_name_that_leads_out_of_its_folder_is_refused(backup: Path, tmp_path: Path) -> None:
    def change(name: str, body: bytes) -> bytes:
        return body.replace(b"site/curves/mill-2.toml", b"site/../../mill-2.toml") if name == "manifest.json" else body

    with pytest.raises(BackupFault, match="leads out"):
        verify(rewritten(backup, tmp_path / "c", change))


def test_a_journal_that_somebody_changed_is_refused_though_its_sum_fits(shop: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(shop / "state/journal.sqlite", isolation_level=None)) as db:
        db.execute("UPDATE log SET body = replace(body, '25.0', '26.0') WHERE kind = 'word'")
    with pytest.raises(BackupFault, match="does not follow"):
        call_back_up(shop, tmp_path / "d")
    assert not (tmp_path / "d").exists()


def call_back_up(shop: Path, target: Path) -> None:
    from agent.folders import Folders
    from agent.site import load_site

    backups.back_up(shop / "site.toml", target, Folders.of(load_site(shop / "site.toml")))


def test_what_is_there_is_not_overwritten_unless_told_and_then_kept_beside(
    backup: Path, shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = all_rows(shop / "state/journal.sqlite")
    assert restore(backup, shop) == 1
    assert "is there already" in capsys.readouterr().err
    assert restore(backup, shop, "--replace") == 0
    assert all_rows(shop / "state/journal.sqlite.before-restore-1") == before
    assert "site.toml.before-restore-1" not in set(files_below(shop))  # the same word for word


def test_one_of_an_older_version_is_brought_to_this_one_s_shape(shop: Path, tmp_path: Path) -> None:
    old = tmp_path / "old"
    write_site(old)
    (old / "state").mkdir()
    with closing(sqlite3.connect(old / "state/journal.sqlite", isolation_level=None)) as db:
        db.executescript(JOURNAL[0] + "PRAGMA user_version = 1;")
        row = LogRow(1, 5.0, 1, "word", "mill-2", "t", b'{"a":1}', None)
        chain = link(BEGINNING, row)
        db.execute("INSERT INTO log VALUES (?,?,?,?,?,?,?,?)", (*[getattr(row, n) for n in row.__slots__][:7], chain))
        db.executemany("INSERT INTO meta VALUES (?, ?)", [("chain_head", chain), ("chain_count", 1)])
    call_back_up(old, tmp_path / "old.tar.gz")
    assert restore(tmp_path / "old.tar.gz", tmp_path / "as-it-was", "--as-it-was") == 0
    assert restore(tmp_path / "old.tar.gz", tmp_path / "new") == 0
    for name, shape in (("as-it-was", 1), ("new", len(JOURNAL))):
        with closing(sqlite3.connect(tmp_path / name / "state/journal.sqlite")) as db:
            assert version_of(db) == shape
    with closing(Journal.open(tmp_path / "new/state/journal.sqlite")) as journal:
        journal.event("word", 6.0, "mill-2", "t2", {"a": 2})
    with closing(JournalReader(tmp_path / "new/state/journal.sqlite")) as reader:
        assert reader.verify_chain().rows == 2 and reader.verify_chain().ok


def test_one_of_a_newer_version_is_refused_with_nothing_written(shop: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(shop / "state/journal.sqlite")) as db:
        db.execute(f"PRAGMA user_version = {len(JOURNAL) + 1}")
    with pytest.raises(BackupFault, match="this program knows"):
        call_back_up(shop, tmp_path / "newer")


def test_secrets_stay_behind_unless_told_and_are_named(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_site(shop, '[mqtt]\nhost = "localhost"\nuser = "x"\npassword_file = "mqtt.password"\n')
    (shop / "mqtt.password").write_text("canary-of-the-broker")
    (shop / "mqtt.password").chmod(0o600)
    assert call("backup", shop / "site.toml", tmp_path / "without") == 0
    assert b"canary-of-the-broker" not in gzip.decompress((tmp_path / "without").read_bytes())
    assert restore(tmp_path / "without", tmp_path / "new") == 0
    assert "to be made again: mqtt.password" in capsys.readouterr().out
    assert call("backup", shop / "site.toml", tmp_path / "with", "--with-secrets") == 0
    assert restore(tmp_path / "with", tmp_path / "other") == 0
    assert (tmp_path / "other/mqtt.password").read_text() == "canary-of-the-broker"
    assert (tmp_path / "other/mqtt.password").stat().st_mode & 0o777 == 0o600


def test_a_curve_elsewhere_goes_back_to_its_own_place(shop: Path, tmp_path: Path) -> None:
    curve = shutil.copy(shop / "curves/mill-2.toml", tmp_path / "elsewhere.toml")
    site = shop / "site.toml"
    site.write_text(site.read_text().replace("curves/mill-2.toml", str(curve)))
    call_back_up(shop, tmp_path / "b.tar.gz")
    assert restore(tmp_path / "b.tar.gz", tmp_path / "card") == 0
    assert (tmp_path / "card" / str(curve).lstrip("/")).read_bytes() == Path(curve).read_bytes()


def test_calibrations_that_the_pages_made_go_with_it_as_they_were(shop: Path, tmp_path: Path) -> None:
    (shop / "inbox/calibrations").mkdir()
    made = shop / "inbox/calibrations/mill-2-curve-20250619T133320Z.toml"
    made.write_text("a result")
    made.chmod(0o444)
    call_back_up(shop, tmp_path / "b.tar.gz")
    assert restore(tmp_path / "b.tar.gz", tmp_path / "new") == 0
    back = tmp_path / "new/inbox/calibrations" / made.name
    assert back.read_text() == "a result" and back.stat().st_mode & 0o777 == 0o444


def test_in_a_folder_the_newest_are_kept(shop: Path, tmp_path: Path) -> None:
    for day in ("01", "02", "03"):
        (tmp_path / f"sumpside-harrow-lane-gearworks-2020-01-{day}T000000Z.tar.gz").touch()
    (tmp_path / "sumpside-elsewhere-2020-01-01T000000Z.tar.gz").touch()
    assert call("backup", shop / "site.toml", tmp_path, "--keep", 2) == 0
    kept = sorted(path.name for path in tmp_path.glob("sumpside-*"))
    assert kept[0].startswith("sumpside-elsewhere") and "2020-01-03" in kept[1] and len(kept) == 3


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    opened = Works(tmp_path / "works") if (tmp_path / "works").mkdir() is None else None
    assert opened is not None
    yield opened
    opened.end()


def test_made_and_refused_while_the_agent_runs_and_taken_up_by_another(works: Works, tmp_path: Path) -> None:
    """It holds what was committed; restoring over a running agent is refused; a new agent goes on from the copy."""
    works.start()
    sender = Transmitter(works.plugs["mill-1"])
    sender.start()
    works.say("w1", "record", {"signal": "hand_reading", "value": 4.6})
    works.wait(lambda: len(works.numbers()) > 20 and works.events("word"), "readings and a word")
    dirs = ("--state-dir", works.folder / "state", "--inbox-dir", works.folder / "inbox")
    committed = works.numbers()
    assert call("backup", works.site, tmp_path / "b", *dirs) == 0
    assert call("restore", tmp_path / "b", "--site", works.site, *dirs, "--replace") == 1
    works.wait(lambda: len(works.numbers()) > len(committed), "the agent to go on")
    works.kill()
    (works.folder / "state").rename(tmp_path / "dead card")
    (works.folder / "inbox").rename(tmp_path / "dead card's inbox")
    assert call("restore", tmp_path / "b", "--site", works.site, *dirs) == 0
    kept = works.numbers()
    assert kept[: len(committed)] == committed
    with closing(Inbox.open(works.folder / "inbox/inbox.sqlite")):
        works.say("w2", "record", {"signal": "hand_reading", "value": 4.7})
    works.start()
    works.wait(lambda: [w["value"] for w in works.events("word")] == [4.6, 4.7], "each word once")
    works.wait(lambda: len(works.numbers()) > len(kept), "new readings")
    sender.end()
    assert works.terminate() == 0
    with closing(JournalReader(works.journal_path)) as reader:
        assert reader.verify_chain().ok


def test_the_manifest_says_what_is_in_it(backup: Path) -> None:
    with tarfile.open(backup) as tar:
        first = tar.next()
        assert first is not None and first.name == "manifest.json"
        told = json.loads(tar.extractfile(first).read())  # type: ignore[union-attr]
    names = [part["name"] for part in told["parts"]]
    assert names == ["journal.sqlite", "inbox.sqlite", "people.sqlite", "site/site.toml", "site/curves/mill-2.toml"]
