"""The door of the live page: who is let in, what is refused, and what every answer carries."""

import http.client
import json
import socket
import struct
import time
from urllib.parse import urlencode

import numpy as np
import pytest
from live.conftest import until
from live.fake_engine import FakeEngine

from rigcheck.errors import ConfigError
from rigcheck.live import guard as door
from rigcheck.live.guard import Guard, Joined, Request, ShutOut, WrongCode
from rigcheck.live.web_serving import LiveServer

pytestmark = pytest.mark.xdist_group("live-page")


class Clock:
    now_s = 0.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def lan():
    """A guard on the network, its lines, its clock."""
    said, clock = [], Clock()
    guard = Guard(port=8437, lan=True, say=said.append, clock=clock)
    guard.announce()
    return guard, said, clock


def asked(**changed):
    usual = {"method": "GET", "path": "/stream", "host": "127.0.0.1:8437", "arrived_at": "127.0.0.1"}
    return Request(**{**usual, **changed})


@pytest.mark.parametrize("host", ["127.0.0.1:8437", "localhost:8437", "LOCALHOST:8437", "[::1]:8437"])
def test_this_machines_own_names_are_known(host):
    assert Guard(port=8437).refusal(asked(host=host)) is None


@pytest.mark.parametrize(
    "host",
    [
        "",
        "elsewhere.example:8437",
        "127.0.0.1.elsewhere.example:8437",
        "127.0.0.1",
        "127.0.0.1:8438",
        "127.0.0.1:84x",
        "192.168.1.20:8437",
        "user@127.0.0.1:8437",
        "127.0.0.1:8437/",
    ],
)
def test_foreign_names_are_refused(host):
    """What a browser sends when another site's name has been made to lead here (DNS rebinding)."""
    assert Guard(port=8437).refusal(asked(host=host)).status == 403


def test_on_the_network_the_address_that_was_reached_is_known_and_no_other():
    guard = Guard(port=8437, lan=True, say=lambda line: None)
    assert guard.refusal(asked(host="192.168.1.20:8437", arrived_at="192.168.1.20")) is None
    assert guard.refusal(asked(host="192.168.1.21:8437", arrived_at="192.168.1.20")).status == 403
    assert guard.refusal(asked(host="[fd00::5]:8437", arrived_at="fd00::5")) is None


@pytest.mark.parametrize("origin", ["", "null", "http://elsewhere.example", "https://127.0.0.1:8437"])
def test_buttons_are_pressed_by_the_page_alone(origin):
    guard = Guard(port=8437)
    assert guard.refusal(asked(method="POST", path="/keep", origin=origin)).status == 403
    assert guard.refusal(asked(method="POST", path="/keep", origin="http://127.0.0.1:8437")) is None


def test_another_site_may_lead_here_and_nothing_else():
    """Fetch Metadata (W3C): a link to the page is followed, its pictures are not embedded."""
    guard = Guard(port=8437)
    followed = asked(path="/", fetch_site="cross-site", fetch_mode="navigate")
    assert guard.refusal(followed) is None
    for embedded in (
        asked(path="/map/focus/0", fetch_site="cross-site", fetch_mode="no-cors"),
        asked(path="/", fetch_site="cross-site", fetch_mode="no-cors"),
        asked(path="/kept/a", fetch_site="same-site", fetch_mode="navigate"),
    ):
        assert guard.refusal(embedded).status == 403


def test_a_code_opens_one_page_and_is_spent(lan):
    guard, said, _ = lan
    code = guard.code
    assert said[-1].replace("-", "").endswith(code)
    assert not guard.admitted("")
    joined = guard.attempt(f" {code[:4].lower()}-{code[4:].lower()} ", who="192.168.1.9")
    assert isinstance(joined, Joined)
    assert guard.admitted(joined.session)
    assert not guard.admitted(joined.session[:-1] + "?")
    assert isinstance(guard.attempt(code, who="192.168.1.9"), WrongCode)
    assert guard.code != code
    assert said[-1].replace("-", "").endswith(guard.code)


def test_wrong_codes_close_the_door_for_a_while_and_change_the_code(lan):
    guard, said, clock = lan
    code = guard.code
    tries = [guard.attempt("AAAA-AAAA", who="192.168.1.66") for _ in range(5)]
    assert [each.tries_left for each in tries[:4]] == [4, 3, 2, 1]
    assert isinstance(tries[4], ShutOut)
    assert any("192.168.1.66" in line for line in said)
    assert guard.code != code
    assert isinstance(guard.attempt(guard.code, who="192.168.1.9"), ShutOut)
    clock.now_s = 61.0
    assert isinstance(guard.attempt(guard.code, who="192.168.1.9"), Joined)


def test_codes_and_sessions_are_compared_in_constant_time(lan, monkeypatch):
    guard, _, _ = lan
    compared = []
    plain = door.hmac.compare_digest
    monkeypatch.setattr(door.hmac, "compare_digest", lambda a, b: compared.append((a, b)) or plain(a, b))
    session = guard.attempt(guard.code, who="here").session
    assert guard.admitted(session)
    assert not guard.admitted("x")
    assert len(compared) == 3


def test_codes_differ_and_have_no_letter_that_is_misread():
    codes = {Guard(port=1, lan=True, say=lambda line: None).code for _ in range(200)}
    assert len(codes) == 200
    assert not set("".join(codes)) & set("AEIOU01L5S8B")


def test_old_sessions_end_when_too_many_pages_are_open(lan):
    guard, _, _ = lan
    sessions = [guard.attempt(guard.code, who="here").session for _ in range(7)]
    assert [guard.admitted(each) for each in sessions] == [False, *[True] * 6]


@pytest.fixture(scope="module")
def engine(tmp_path_factory):
    with FakeEngine(rate=5.0, out=tmp_path_factory.mktemp("kept")) as started:
        yield started


@pytest.fixture(scope="module")
def here(engine, tmp_path_factory):
    with LiveServer(engine, port=0, out=engine._out) as server:
        yield server


def request(server, method, path, body=None, **headers):
    host = f"127.0.0.1:{server.port}"
    own = {"Host": host, "Origin": f"http://{host}"} if method == "POST" else {"Host": host}
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
    connection.request(method, path, body=body, headers={**own, **headers})
    answer = connection.getresponse()
    text = b"" if path == "/stream" and answer.status == 200 else answer.read()
    connection.close()
    return answer, text


def test_every_answer_carries_a_strict_policy(here):
    """Content Security Policy Level 3, Fetch's nosniff, HTTP caching (RFC 9111)."""
    for path in ("/", "/page.js", "/page.css", "/icon.svg", "/clock", "/map/focus/0", "/nothing", "/stream"):
        answer, _ = request(here, "GET", path)
        policy = dict(
            each.strip().split(" ", 1) for each in answer.headers["content-security-policy"].split(";")
        )
        assert policy["default-src"] == "'none'", path
        sources = [
            policy[each] for each in ("script-src", "style-src", "img-src", "connect-src", "form-action")
        ]
        assert sources == ["'self'"] * 5
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert "server" not in answer.headers
    refused, _ = request(here, "GET", "/", Host="elsewhere.example")
    assert refused.status == 403
    assert refused.headers["content-security-policy"] == answer.headers["content-security-policy"]


def test_the_pages_files_name_nothing_outside(here):
    for name in ("/", "/page.js", "/camera.js", "/words.js", "/stream.js", "/page.css"):
        answer, text = request(here, "GET", name)
        assert answer.status == 200
        outside = text.replace(b"http://www.w3.org/2000/svg", b"")
        assert b"http:" not in outside, name
        assert b"https:" not in outside, name
        assert b"innerHTML" not in outside, name


def test_only_what_there_is_is_answered(here, engine):
    for path in (
        "/map/face/0",
        "/map/focus/7",
        "/kept/../../etc/passwd",
        "/live.html",
        "/code.html",
        "/x.py",
    ):
        assert request(here, "GET", path)[0].status == 404, path
    for method, path in (("GET", "/keep"), ("POST", "/stream"), ("PUT", "/keep"), ("POST", "/mode/other")):
        answer, _ = request(here, method, path, **({"Origin": f"http://127.0.0.1:{here.port}"}))
        assert answer.status in (404, 405), path
    assert request(here, "POST", "/keep", Origin="http://elsewhere.example")[0].status == 403
    assert "keep" not in engine.asked
    assert request(here, "POST", "/keep")[0].status == 200
    assert "keep" in engine.asked


def test_only_reports_of_this_session_are_shown(here, engine):
    engine.kept()
    (engine._out / "secret.html").write_text("another performer")
    answer, text = request(here, "GET", "/kept/moment-1/report.html")
    assert answer.status == 200
    assert b"Moment 1" in text
    assert "sandbox" in answer.headers["content-security-policy"]
    assert request(here, "GET", "/kept/secret.html")[0].status == 404
    assert request(here, "GET", "/kept/moment-1/../secret.html")[0].status == 404


@pytest.fixture(scope="module")
def network(engine):
    said = []
    with LiveServer(engine, port=0, out=engine._out, lan=True, say=said.append) as server:
        yield server, said


def test_on_the_network_nothing_is_shown_without_a_code(network):
    server, _ = network
    for path in ("/stream", "/clock", "/map/focus/0", "/page.js", "/kept/moment-1/report.html"):
        answer, text = request(server, "GET", path)
        assert answer.status == 401, path
        assert b"code is needed" in text
    for path in ("/keep", "/calibrate", "/mode/board"):
        assert request(server, "POST", path)[0].status == 401, path
    _, text = request(server, "GET", "/")
    assert b"Code shown in the terminal" in text
    assert b"page.js" not in text


def enter(server, code):
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    return request(server, "POST", "/code", urlencode({"code": code}), **form)


def test_on_the_network_a_code_opens_the_page(network):
    server, said = network
    answer, text = enter(server, "AAAA-<b>")
    assert answer.status == 403
    assert b"4 tries are left" in text
    assert enter(server, "x" * 2000)[0].status == 413
    assert request(server, "POST", "/code", "code=\xff".encode("latin-1"))[0].status == 403
    code = said[-1].rpartition(" ")[2]
    answer, _ = enter(server, code)
    assert answer.status == 303
    assert answer.headers["location"] == "/"
    name, _, rest = answer.headers["set-cookie"].partition("=")
    session, *flags = [each.strip().lower() for each in rest.split(";")]
    assert {"httponly", "samesite=strict", "path=/"} <= set(flags)
    cookie = f"{name}={rest.split(';')[0]}"
    assert len(session) >= 43
    assert request(server, "GET", "/clock", Cookie=cookie)[0].status == 200
    assert b"page.js" in request(server, "GET", "/", Cookie=cookie)[1]
    assert request(server, "GET", "/clock", Cookie=f"{name}=made-up")[0].status == 401
    assert enter(server, code)[0].status == 403
    for _ in range(5):
        answer, text = enter(server, "BBBB-BBBB")
    assert answer.status == 429
    assert b"No code is taken" in text
    # Who is in already stays in.
    assert request(server, "GET", "/clock", Cookie=cookie)[0].status == 200


def test_a_taken_port_is_said_in_words(here, engine):
    with pytest.raises(ConfigError, match="cannot be used") as raised:
        LiveServer(engine, port=here.port, out=engine._out)
    assert "--port" in raised.value.hint


def messages(connection):
    """Read the stream's messages off a socket: chunks of HTTP/1.1 (RFC 9112), then the page's own framing."""
    reader = connection.makefile("rb")
    while reader.readline().strip():
        pass
    data = b""
    while True:
        size = int(reader.readline(), 16)
        data += reader.read(size)
        reader.readline()
        while len(data) >= 8 and len(data) >= 8 + sum(struct.unpack(">II", data[:8])):
            head, body = struct.unpack(">II", data[:8])
            yield json.loads(data[8 : 8 + head]), data[8 + head : 8 + head + body]
            data = data[8 + head + body :]


def test_a_slow_network_gets_new_pictures_and_no_queue(tmp_path):
    """A page that reads nothing for a while must then see now, not then: pictures are left out, not lined up."""
    with FakeEngine(rate=40.0, cameras=1, out=tmp_path) as engine:
        engine._backdrop = np.random.default_rng(1).integers(0, 255, engine._backdrop.shape, dtype=np.uint8)
        with LiveServer(engine, port=0, out=tmp_path) as server, socket.socket() as connection:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
            connection.connect(("127.0.0.1", server.port))
            connection.sendall(f"GET /stream HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n\r\n".encode())
            time.sleep(1.2)
            ages = []
            for head, body in messages(connection):
                if head["kind"] == "picture":
                    assert body[:2] == b"\xff\xd8"
                    ages.append(time.monotonic() - head["taken_s"])
                    if len(ages) > 4 and max(ages[-3:]) < 0.3:
                        break
            old = sum(age > 0.3 for age in ages)
            assert old >= 1
            # 40 were made in that time, each of about 150 kB.
            assert old <= 8
            began = time.monotonic()
        assert time.monotonic() - began < 3.0


def test_a_page_that_has_left_is_forgotten(engine, here):
    """Its streams end, and with them its threads."""
    with socket.socket() as connection:
        connection.connect(("127.0.0.1", here.port))
        connection.sendall(f"GET /stream HTTP/1.1\r\nHost: 127.0.0.1:{here.port}\r\n\r\n".encode())
        next(messages(connection))
        assert len(here._server.server_state.tasks) == 1
    until(lambda: not here._server.server_state.tasks, "the stream's task ends")
