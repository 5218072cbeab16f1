"""The API over real sockets: what it answers, and what it turns away."""

import asyncio
import json
import socket

import pytest

from lapsed import settings
from lapsed.errors import UserError
from lapsed.web import guard
from lapsed.web.server import Server, token_in
from lapsed.web.words import StitchWish


async def test_tells_what_everything_is_doing(site):
    status, headers, body = await site.get("/api/now")
    assert (status, json.loads(body)["printers"][0]["name"]) == (200, "pier")
    assert headers["cache-control"] == "no-store"
    assert headers["content-security-policy"].startswith("default-src 'none'")


async def test_every_answer_carries_the_headers_that_guard_browsers(site):
    for path in (*guard.PAGE_FILES, "/nothing", "/api/takes", "/openapi.json"):
        _, headers, _ = await site.get(path)
        assert {name.lower(): value for name, value in guard.HEADERS.items()}.items() <= headers.items(), path


async def test_the_stream_tells_again_at_each_change_and_ends_with_the_server(site):
    reader, writer = await asyncio.open_connection("127.0.0.1", site.server.port)
    writer.write(f"GET /api/now/stream HTTP/1.1\r\nHost: {site.host}\r\n\r\n".encode())
    async with asyncio.timeout(20):
        await reader.readuntil(b'"skipping": false')
        site.desk.change(skipping=True)
        await reader.readuntil(b'"skipping": true')
    writer.close()
    await writer.wait_closed()


async def test_small_answers_are_sent_at_once(tmp_path):
    # tcp(7): without TCP_NODELAY the second piece of an answer waits until the first is acknowledged, 40 ms on Linux.
    server = Server(settings.Web(port=0), None, tmp_path / "token")
    server.listen()
    accepted = asyncio.get_running_loop().create_future()
    async with await asyncio.start_server(lambda _, writer: accepted.set_result(writer), sock=server._socket):
        _, writer = await asyncio.open_connection("127.0.0.1", server.port)
        async with asyncio.timeout(30):
            taken = await accepted
        assert taken.get_extra_info("socket").getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
        for end in (writer, taken):
            end.close()
            await end.wait_closed()


async def test_actions_reach_the_desk(site):
    assert await site.post("/api/printers/pier/skip", {"on": True}) == (200, {"text": "so be it", "frame": None})
    assert await site.post("/api/printers/pier/shoot", {"camera": "side"}) == (
        200,
        {"text": "so be it", "frame": "proof.jpg"},
    )
    wish = {"clips": ["wide"], "size": "1080x1920", "keep": [2], "drop": [4, 5]}
    await site.post(f"/api/takes/{site.take}/stitch", wish)
    await site.post(f"/api/takes/{site.take}/delete", {"confirm": site.take})
    assert site.desk.asked == [
        ("skip", True),
        ("shoot", "side"),
        ("stitch", site.take, StitchWish(clips=("wide",), size="1080x1920", keep=(2,), drop=(4, 5))),
        ("delete", site.take),
    ]


@pytest.mark.parametrize(
    ("path", "value", "status", "says"),
    [
        ("/api/printers/mole/skip", {"on": True}, 404, "there is no printer"),
        ("/api/printers/pier/end-take", {}, 409, "has no take"),
        ("/api/printers/pier/shoot", {"camera": "busy"}, 503, "ask again"),
        ("/api/printers/pier/skip", {"on": "perhaps"}, 422, "on is 'perhaps' and has to be true or false"),
        ("/api/printers/pier/skip", {"on": True, "off": False}, 422, "off is not a key"),
        ("/api/printers/pier/skip", [], 422, "the request is [] and has to be "),
        ("/api/takes/{take}/delete", {"confirm": "yes"}, 409, "whole name"),
        ("/api/takes/{take}/stitch", {"size": "--help"}, 422, "size: "),
        ("/api/takes/{take}/stitch", {"clips": ["--out"]}, 422, "clips.0: "),
        ("/api/takes/{take}/stitch", {"drop": [-1]}, 422, "drop.0 is -1 and has to be "),
        ("/api/takes/none/stitch", {}, 404, "there is no take"),
        ("/api/now", {}, 405, "openapi.json"),
    ],
)
async def test_what_cannot_be_done_is_told_in_a_sentence(site, path, value, status, says):
    got, told = await site.post(path.format(take=site.take), value)
    assert (got, says in told["error"]) == (status, True), told


async def test_takes_with_their_frames_and_clips(site):
    _, _, body = await site.get("/api/takes")
    (line,) = json.loads(body)["takes"]
    assert (line["name"], line["landed"], line["missed"], line["outcome"]) == (site.take, 4, 1, "finished")
    _, _, body = await site.get(f"/api/takes/{site.take}")
    take = json.loads(body)
    assert [frame["shot"] for frame in take["frames"]] == [1, 2, 4, 5]
    assert take["missed"] == [{"shot": 3, "reason": "no light"}]
    assert take["clips"] == [{"name": "wide.mp4", "size_bytes": 10_240}]


TABLE = """\
number,frame,used,fault,said
1,frames/main/000001.jpg,True,,
2,frames/main/000002.jpg,False,black,left out: is black
4,frames/main/000004.jpg,True,stranger,"proposed: shows something, 9 % across"
5,frames/main/000005.jpg,False,soft,left out: was dropped on request; it is soft
6,frames/main/000006.jpg,False,broken,left out: can't be decoded
7,frames/main/000007.jpg,True,black,kept on request: is black
8,frames/main/000008.jpg,False,unfit,left out: is empty
4,frames/side/000004.jpg,False,black,left out: is black
"""


async def test_what_judging_found_of_the_main_cameras_frames_is_told(site):
    table = site.desk.store / site.take / "clips" / "judged.csv"

    async def judged():
        return json.loads((await site.get(f"/api/takes/{site.take}"))[2])["judged"]

    assert await judged() is None
    table.write_text(TABLE)
    told = [(one["shot"], one["left_out"], one["by_hand"], one["broken"], one["reason"]) for one in await judged()]
    assert told == [
        (2, True, False, False, "is black"),
        (4, False, False, False, "shows something, 9 % across"),
        (5, True, True, False, "is soft"),
        (6, True, False, True, "can't be decoded"),
        (7, False, True, False, "is black"),
        (8, True, False, True, "is empty"),
    ]
    for odd in ("", "number,frame\n1,frames/main/1.jpg\n", TABLE.replace("\n4,", "\nfour,"), "\0"):
        table.write_text(odd)
        assert await judged() in (None, [])


async def test_a_clip_comes_whole_and_in_ranges(site):
    path = f"/api/takes/{site.take}/clips/wide.mp4"
    status, headers, body = await site.get(path)
    assert (status, len(body), headers["content-disposition"].partition(";")[0]) == (200, 10_240, "inline")
    # RFC 9110, 14.4: a range is answered with 206 and Content-Range.
    status, headers, body = await site.get(path, Range="bytes=256-259")
    assert (status, headers["content-range"], body) == (206, "bytes 256-259/10240", bytes(range(4)))
    _, headers, _ = await site.get(f"{path}?download")
    assert headers["content-disposition"].startswith("attachment")


async def test_frames_come_reduced_with_their_measure(site):
    status, headers, body = await site.get(f"/api/takes/{site.take}/frames/main/2?width=72")
    measure = json.loads(headers["lapsed-measure"])
    assert (status, headers["content-type"], body[:2]) == (200, "image/jpeg", b"\xff\xd8")
    assert (measure["width"], measure["height"]) == (144, 96)
    assert abs(measure["mean"] - 84) < 2  # grey of 80 and a ramp from 0 to 8 on it
    status, _, body = await site.get(f"/api/takes/{site.take}/frames/main/2?x=0.5&y=0.5&side=64")
    assert (status, body[:2]) == (200, b"\xff\xd8")


async def test_the_trend_follows_brightness_over_the_take(site):
    _, _, body = await site.get(f"/api/takes/{site.take}/trend?most=3")
    points = json.loads(body)["points"]
    assert [point["shot"] for point in points] == [1, 4, 5]
    assert [round(point["mean"] / 40) for point in points] == [1, 4, 5]


async def test_a_broken_frame_is_told_and_the_next_is_reduced(site):
    path = site.desk.store / site.take / "frames" / "main"
    (path / "000001.jpg").write_bytes(b"\xff\xd8\xff\xe0 no picture")
    status, _, body = await site.get(f"/api/takes/{site.take}/frames/main/1")
    assert (status, "000001.jpg" in json.loads(body)["error"]) == (409, True)
    assert (await site.get(f"/api/takes/{site.take}/frames/main/2"))[0] == 200


@pytest.mark.parametrize(
    "path",
    [
        "/api/takes/..%2f..%2fetc/clips/passwd",
        "/api/takes/%2e%2e/clips/token",
        "/api/takes/{take}/clips/..%2ftake.db",
        "/api/takes/{take}/clips/..",
        "/api/takes/{take}/clips/.half",
        "/api/takes/{take}/clips/leads-out.mp4",
        "/api/takes/{take}/frames/..%2f..%2fmain/1",
        "/api/takes/{take}/frames/main/3",
        "/api/test-frames/..%2ftoken",
        "/../../etc/passwd",
        "//etc/passwd",
        "/page.css/../../server.py",
        "/%00",
    ],
)
async def test_no_path_leads_out_of_the_store(site, path, tmp_path):
    secret = tmp_path / "secret.mp4"
    secret.write_bytes(b"secret")
    (site.desk.store / site.take / "clips" / "leads-out.mp4").symlink_to(secret)
    status, _, body = await site.get(path.format(take=site.take))
    assert status in (404, 400), path
    assert b"secret" not in body
    assert b"root:" not in body


@pytest.mark.parametrize(
    "query", ["width=1", "width=9999999", "width=x", "width=-5", "x=2", "x=nan", "y=1&side=1", "width=²"]
)
async def test_figures_out_of_bounds_are_refused(site, query):
    status, _, _ = await site.get(f"/api/takes/{site.take}/frames/main/1?{query.replace('²', '%C2%B2')}")
    assert status == 409


async def test_requests_from_other_sites_or_by_other_names_reach_nothing(site):
    wish = {"on": True}
    assert (await site.post("/api/printers/pier/skip", wish, Origin="http://evil.example"))[0] == 403
    assert (await site.post("/api/printers/pier/skip", wish, **{"Sec-Fetch-Site": "cross-site"}))[0] == 403
    assert (await site.post("/api/printers/pier/skip", wish, **{"Content-Type": "text/plain"}))[0] == 415
    assert (await site.post("/api/printers/pier/skip", wish, Host="evil.example"))[0] == 421
    assert (await site.get("/api/now", Host="evil.example:80"))[0] == 421
    assert site.desk.asked == []


async def raw(site, data: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", site.server.port)
    writer.write(data)
    async with asyncio.timeout(20):
        answer = await reader.read(4096)
    writer.close()
    return answer


async def test_oversize_requests_are_cut_off(site):
    host = f"Host: {site.host}\r\nContent-Type: application/json\r\n"
    post = f"POST /api/printers/pier/skip HTTP/1.1\r\n{host}"
    assert b" 413 " in await raw(site, f"{post}Content-Length: 70000\r\n\r\n".encode() + b"x" * 70_000)
    assert b" 413 " in await raw(site, f"{post}Transfer-Encoding: chunked\r\n\r\nffff\r\n".encode())
    assert b" 431 " in await raw(site, f"GET / HTTP/1.1\r\n{host}X: {'y' * 40_000}\r\n\r\n".encode())
    assert b" 400 " in await raw(site, b"\x00\xff\x16\x03 no http\r\n\r\n")
    assert (await site.get("/health"))[0] == 200
    assert site.desk.asked == []


async def test_a_log_in_is_compared_in_constant_time_as_well(serving, tmp_path, monkeypatch):
    async with serving(address="0.0.0.0") as site:  # noqa: S104 - the case that asks for a token
        monkeypatch.setattr("hmac.compare_digest", lambda *_: False)
        token = (tmp_path / "token").read_text().strip()
        assert (await site.post("/log-in", {"token": token}))[0] == 401
        monkeypatch.setattr("hmac.compare_digest", lambda *_: True)
        assert (await site.post("/log-in", {"token": "wrong"}))[0] == 200


async def test_with_a_token_nothing_is_told_before_logging_in(serving, tmp_path):
    async with serving(address="0.0.0.0") as site:  # noqa: S104 - the case that asks for a token
        token_file = tmp_path / "token"
        assert token_file.stat().st_mode & 0o777 == 0o600
        token = token_file.read_text().strip()
        assert (await site.get("/api/now"))[0] == 401
        assert (await site.get("/"))[0] == 200
        assert (await site.get("/api/now", Authorization=f"Bearer {token}"))[0] == 200
        assert (await site.post("/log-in", {"token": "wrong"}))[0] == 401
        status, headers, _ = await asyncio.to_thread(
            site._ask, "POST", "/log-in", json.dumps({"token": token}).encode(), {"Content-Type": "application/json"}
        )
        cookie = headers["set-cookie"]
        assert status == 200
        assert {"HttpOnly", "SameSite=strict"} <= {part.strip() for part in cookie.split(";")}
        assert (await site.get("/api/now", Cookie=cookie.partition(";")[0]))[0] == 200
        tries = [(await site.post("/log-in", {"token": "wrong"}))[0] for _ in range(6)]
        assert tries[-1] == 429


def test_a_port_that_is_taken_is_told(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        server = Server(settings.Web(port=taken.getsockname()[1]), None, tmp_path / "token")
        with pytest.raises(UserError, match=r"be served at 127\.0\.0\.1 port"):
            server.listen()


@pytest.mark.parametrize(
    ("content", "mode", "says"),
    [("a-token-of-some-length\n", 0o644, "others may read"), ("short\n", 0o600, "shorter than 20")],
)
def test_a_token_that_protects_nothing_is_refused(tmp_path, content, mode, says):
    path = tmp_path / "token"
    path.write_text(content)
    path.chmod(mode)
    with pytest.raises(UserError, match=says):
        token_in(path)


def test_the_token_is_made_once(tmp_path):
    assert token_in(tmp_path / "new" / "token") == token_in(tmp_path / "new" / "token")
