"""Several servers on one PostgreSQL: what one of them knows, counts or learns holds at the others."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from fastapi.testclient import TestClient
from PIL import Image
from salon_walk import PASSWORD, sign_in
from sqlalchemy import event

from app import cases, settings
from app.server import create_app
from app.settings import Settings, limits
from coatclass import ensemble
from coatclass.errors import RecordError
from coatclass.learning import RELEASED, shelf_of
from coatclass.records import Dog, SharedCounts, UserRole, add_user, open_records

LINKS = "/api/v1/dogs/by-link"
# What was used up comes back so slowly that no pause of a busy machine counts.
SLOW = {**limits()["rate"]}
SLOW |= {kind: {**SLOW[kind], "per_minute": 1e-6} for kind in ("sign_in", "assess")}


@pytest.fixture(scope="module")
def branches(postgres, tmp_path_factory):
    """Two servers with data folders of their own, one database and one photo folder."""
    database, shared = postgres(), tmp_path_factory.mktemp("shared") / "photos"

    def branch(name):
        where = {"data": tmp_path_factory.mktemp(name), "database_url": database, "photo_folder": shared}
        return create_app(Settings(**where, workbench=False, limits={**limits(), "rate": SLOW}))

    apps = [branch("north"), branch("south")]
    add_user(apps[0].state.records, "Ada", PASSWORD, UserRole.GROOMER)
    yield apps
    for app in apps:
        app.state.queue.close()
        app.state.records.close()


@pytest.fixture
def north(branches):
    return TestClient(branches[0], client=("192.0.2.7", 1))


@pytest.fixture
def south(branches):
    return TestClient(branches[1], client=("192.0.2.7", 1))


def test_a_dog_its_photo_and_a_session_are_known_at_the_other_server(north, south, photos):
    token = north.post(LINKS, json={"name": "Bramble"}).json()["token"]
    picture = next(photos.glob("**/*.jpg")).read_bytes()
    sent = north.post(f"{LINKS}/{token}/photos", files={"photos": ("a.jpg", picture, "image/jpeg")})
    assert sent.status_code in (200, 201), sent.text
    there = south.get(f"{LINKS}/{token}").json()
    assert there["name"] == "Bramble" and len(there["photos"]) == 1
    assert south.get(f"{LINKS}/{token}/photos/{there['photos'][0]['id']}").content[:2] == b"\xff\xd8"
    assert sign_in(north).status_code == 200
    south.cookies.update(north.cookies)
    assert south.get("/api/v1/signed-in").json()["name"] == "Ada"


def test_what_one_server_learned_the_other_uses_at_once(branches):
    north, south = (app.state.records for app in branches)
    version = replace(RELEASED, version="learned-20260101", members_version=ensemble.load().version)
    folder = shelf_of(north).folder
    folder.mkdir(exist_ok=True)
    (folder / f"{version.version}.json").write_text(json.dumps({"model": version.to_json()}))
    assert cases.learned(south) == RELEASED
    shelf_of(north).use(version.version)
    assert cases.learned(south).version == version.version
    shelf_of(south).use("released")
    assert cases.learned(north) == RELEASED


def test_wrong_passwords_count_at_all_servers_together(branches):
    free = int(limits()["sign_in"]["free_by_name"])
    webs = [TestClient(app, client=("192.0.2.8", 1)) for app in branches]
    codes = [sign_in(webs[number % 2], password=f"guess {number}").status_code for number in range(free + 2)]
    assert codes == [401] * free + [429] * 2
    key = ("sign-in", "192.0.2.8", "ada")
    with branches[1].state.counts.changing([key]) as (kept, _):
        assert kept[key][0] == free  # from the next on there is a wait, whichever server is asked
    assert sign_in(TestClient(branches[0], client=("192.0.2.9", 1))).status_code == 200  # nobody else waits


def test_requests_count_at_all_servers_together(branches):
    burst = int(limits()["rate"]["sign_in"]["burst"])
    webs = [TestClient(app, client=("192.0.2.10", 1)) for app in branches]
    codes = [webs[number % 2].post("/api/v1/sign-in", json={}).status_code for number in range(burst + 2)]
    assert codes == [422] * burst + [429] * 2


def test_many_tries_at_once_are_each_counted(branches):
    counts, key = branches[0].state.counts, ("test", "at once")

    def count(number):
        with branches[number % 2].state.counts.changing([key]) as (kept, now):
            kept[key] = (kept.get(key, (0, now))[0] + 1, now)

    with ThreadPoolExecutor(8) as threads:
        list(threads.map(count, range(60)))
    with counts.changing([key]) as (kept, now):
        assert kept[key][0] == 60 and abs(now - time.time()) < 60


def test_no_address_and_no_name_stands_in_the_counts_and_old_ones_go(branches):
    records = branches[0].state.records
    sign_in(TestClient(branches[0], client=("192.0.2.12", 1)), password="a guess")
    with records.read() as reader:
        rows = reader.connection.exec_driver_sql("SELECT * FROM counts").all()
    # A key is a digest and nothing else; looking for "ada" in it would find it by chance now and then.
    assert rows and all(re.fullmatch(r"[0-9a-f]{64}", key) for key, *_ in rows)
    assert all(isinstance(number, float) for _, *numbers in rows for number in numbers)
    with SharedCounts(records, forgotten_after_s=-1).changing([("sweep",)]):
        pass
    with records.read() as reader:
        assert reader.connection.exec_driver_sql("SELECT * FROM counts").all() == []


def test_requests_are_still_limited_while_the_counts_cannot_be_reached(branches, monkeypatch):
    def unreachable(keys):
        raise RecordError("the records", "can't be reached.", "Try again.", code="unavailable")

    monkeypatch.setattr(branches[0].state.counts, "changing", unreachable)
    monkeypatch.setattr(branches[0], "middleware_stack", None)  # built anew: it remembers what can't be reached
    burst = int(limits()["rate"]["assess"]["burst"])
    web = TestClient(branches[0], client=("192.0.2.11", 1))
    codes = [web.post("/api/v1/assess").status_code for _ in range(burst + 1)]
    assert codes[-1] == 429 and set(codes[:-1]) == {422}


def test_a_server_with_a_wrong_clock_ends_no_link_and_no_session(branches, north, monkeypatch):
    """Of servers that share a database the database's clock says what has expired."""
    token = north.post(LINKS, json={"name": "Bramble"}).json()["token"]
    assert sign_in(north).status_code == 200
    for wrong in (timedelta(days=800), timedelta(days=-800)):
        monkeypatch.setattr("coatclass.records._access.now", lambda wrong=wrong: datetime.now(UTC) + wrong)
        south = TestClient(branches[1], client=("192.0.2.7", 1), cookies=north.cookies)
        assert south.get("/api/v1/signed-in").status_code == 200
        other = south.post(LINKS, json={"name": "Clover"}).json()["token"]
        assert [north.get(f"{LINKS}/{one}").status_code for one in (token, other)] == [200, 200]


def test_a_database_that_is_away_is_told_without_where_it_is_and_is_there_again(branches, north, caplog):
    token = north.post(LINKS, json={"name": "Bramble"}).json()["token"]
    engine = branches[0].state.records.engine

    def away(dialect, record, arguments, parameters):
        raise psycopg.OperationalError('connection to server at "db.inside", port 5432 failed: user "salon"')

    event.listen(engine, "do_connect", away)
    engine.dispose()
    try:
        told = [north.get(f"{LINKS}/{token}"), north.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"})]
        pages = [(f"/owner/next?dog={token}", "get"), ("/groomer/today", "get"), ("/sign-in", "post")]
        browser = {"accept": "text/html"}
        shown = [north.request(how, page, headers=browser, follow_redirects=True) for page, how in pages]
    finally:
        event.remove(engine, "do_connect", away)
    for answer in told + shown:
        assert answer.status_code == 503 and answer.headers["retry-after"]
        assert "reach its database" in answer.text and "inside" not in answer.text and "salon&#" not in answer.text
    assert all(answer.json()["code"] == "unavailable" for answer in told)
    assert all(page.text.lstrip().startswith("<!doctype html>") for page in shown)
    assert "db.inside" in caplog.text  # whoever runs it finds out
    assert north.patch(f"{LINKS}/{token}/answers", json={"feel": "silky"}).json() == {"feel": "silky"}


def test_a_machine_that_vanishes_is_not_waited_for_for_hours(branches):
    with branches[0].state.records.read() as reader:
        told = reader.connection.connection.driver_connection.info.get_parameters()
        frozen = reader.connection.exec_driver_sql("SHOW idle_in_transaction_session_timeout").scalar()
    assert 0 < int(told["tcp_user_timeout"]) <= 60_000 and int(told["keepalives_idle"]) <= 30
    assert frozen == "15min"


def test_a_server_with_an_empty_photo_folder_is_refused_once_there_are_photos(branches, tmp_path):
    url, records = branches[0].state.settings.database_url, branches[0].state.records
    Image.new("RGB", (200, 200), "tan").save(tmp_path / "dog.jpg")
    dog = records.add(Dog(name="Bramble"), who="a test")
    records.add_photo(dog.id, (tmp_path / "dog.jpg").read_bytes(), who="a test")
    with pytest.raises(RecordError) as caught:
        open_records(url, photo_folder=tmp_path / "elsewhere")
    assert caught.value.code == "foreign_photos"


STARTED = """
import sys
from pathlib import Path
from alembic import command
from coatclass.records import open_records
done, upgrade = [], command.upgrade
command.upgrade = lambda *how: (done.append(how), upgrade(*how))
print("ready", flush=True)
sys.stdin.readline()
with open_records(sys.argv[1], photo_folder=Path(sys.argv[2])) as records, records.read() as reader:
    versions = reader.connection.exec_driver_sql("SELECT count(*) FROM alembic_version").scalar()
print(len(done), versions)
"""


def test_of_several_processes_that_start_at_once_one_migrates(postgres, tmp_path):
    command = [sys.executable, "-c", STARTED, postgres(), str(tmp_path / "photos")]
    started = [subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) for _ in range(4)]
    assert [process.stdout.readline() for process in started] == ["ready\n"] * 4
    for process in started:
        process.stdin.write("go\n")
        process.stdin.flush()
    told = [process.communicate(timeout=120)[0].split() for process in started]
    assert sorted(told) == [["0", "1"]] * 3 + [["1", "1"]]


_SPANS = {"interval", "timeout", "start_period", "start_interval"}
_OF_HEALTH = _SPANS | {"test", "retries", "disable"}
_OF_A_SERVICE = {"build", "image", "environment", "volumes", "networks", "healthcheck", "depends_on", "restart",
                 "stop_grace_period", "ports"}  # fmt: skip


def test_the_compose_file_and_the_proxy_name_only_what_is_there():
    """By the Compose specification (compose-spec, fields and forms from memory): what a service uses is declared below,
    waits for what can be healthy, and is asked for its health in a form that there is; the proxy's names are services.
    """
    yaml = pytest.importorskip("yaml")
    folder = Path(settings.__file__).parent / "chain"
    told = yaml.safe_load((folder / "compose.yaml").read_text())
    services = told["services"]
    for service in services.values():
        assert ("image" in service) != ("build" in service)
        assert set(service["networks"]) <= set(told["networks"]) and set(service.get("depends_on", ())) <= set(services)
        for volume in service.get("volumes", ()):
            place = volume.partition(":")[0]
            assert place in told["volumes"] or (folder / place).is_file()
        for other, how in service.get("depends_on", {}).items():
            assert how["condition"] == "service_healthy" and "healthcheck" in services[other]
        check = service.get("healthcheck", {"test": ["NONE"]})
        assert check["test"][0] in ("CMD", "CMD-SHELL", "NONE") and set(check) <= _OF_HEALTH
        assert all(re.fullmatch(r"(\d+(h|m|s|ms|us))+", check[name]) for name in _SPANS & set(check))
        assert set(service) <= _OF_A_SERVICE
    assert set(told) <= {"name", "services", "volumes", "networks", "x-web"}
    asked = services["web"]["healthcheck"]["test"]
    assert re.search(r"127\.0\.0\.1:(\d+)(/\w+)", asked[-1]).groups() == ("8000", "/health")
    compile(asked[-1], "health check", "exec")
    built = services["web"]["build"]
    assert (folder / built["context"] / built["dockerfile"]).resolve() == (folder / "Dockerfile").resolve()
    proxy = (folder / "proxy.conf").read_text()
    asked = re.findall(r"server (\w+):(\d+)", proxy)
    port = re.search(r"EXPOSE (\d+)", (folder / "Dockerfile").read_text())[1]
    assert asked and {name for name, _ in asked} == {"web", "workbench"} and {number for _, number in asked} == {port}
    assert set(re.findall(r"proxy_pass http://(\w+)", proxy)) <= set(re.findall(r"upstream (\w+)", proxy))
    readers = Path(settings.__file__), Path(inspect.getfile(open_records))
    read = {name for file in readers for name in re.findall(r"COATCLASS_\w+", file.read_text())}
    assert {name for name in services["web"]["environment"] if name.startswith("COATCLASS_")} <= read
