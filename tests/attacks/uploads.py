"""What people send: pictures that are something else too, pictures that unpack to far more, names that are commands.

A picture is kept as newly written JPEG or refused in words; a name is shown as text or refused. Nothing else comes of
them: no file of that name, no header, no script on a page, no appointment in a calendar.
"""

from __future__ import annotations

import json
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from io import BytesIO

import httpx
from PIL import Image, PngImagePlugin

from tests.attacks.serving import LINKS, Serving

MARK = b"smuggled-mark"
_SCRIPT = b"<script>/*" + MARK + b"*/</script>"
_SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><text>' + MARK + b"</text></svg>"


def _picture(kind: str = "JPEG", **options: object) -> bytes:
    stream = BytesIO()
    Image.effect_noise((240, 200), 60).convert("RGB").save(stream, kind, **options)
    return stream.getvalue()


def _segment(marker: int, content: bytes) -> bytes:
    """A JPEG whose first segment is this one (ITU-T T.81, B.1.1.4)."""
    plain = _picture()
    return plain[:2] + struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content + plain[2:]


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def _png(width: int, height: int, *chunks: bytes) -> bytes:
    """A PNG of one bit a pixel, all black, a thousandth of what it unpacks to."""
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0))
    packer, row = zlib.compressobj(9), bytes(1 + (width + 7) // 8)
    packed = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    return b"\x89PNG\r\n\x1a\n" + header + b"".join(chunks) + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")


def _zipped() -> bytes:
    stream = BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        packed.writestr("index.html", _SCRIPT)
    return stream.getvalue()


def _claiming(side: int) -> bytes:
    """A JPEG that says it is far larger than it is."""
    data = bytearray(_picture())
    struct.pack_into(">HH", data, data.find(b"\xff\xc0") + 5, side, side)
    return bytes(data)


def _located() -> bytes:
    exif = Image.Exif()
    exif[0x010E], exif[0x013B], exif[0x8298] = (_SCRIPT.decode(),) * 3  # description, artist, copyright
    exif.get_ifd(0x8825)[2] = (59.0, 20.0, 0.0)
    return _picture(exif=exif)


def _texts() -> bytes:
    text = PngImagePlugin.PngInfo()
    text.add_text("Comment", _SCRIPT.decode())
    text.add_itxt("XML:com.adobe.xmp", _SCRIPT.decode(), zip=True)
    return _picture("PNG", pnginfo=text)


def pictures() -> Iterator[tuple[str, bytes]]:
    """What it is, and its bytes; all are called ``dog.jpg``."""
    yield "a photo with a ZIP behind it", _picture() + _zipped()
    yield "a photo with a page behind it", _picture() + _SCRIPT
    yield "a photo with a script as its comment", _segment(0xFE, _SCRIPT)
    yield "a photo with a drawing inside", _segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + _SVG)
    yield "a photo with a colour profile that is none", _picture(icc_profile=_SCRIPT * 20)
    yield "a photo that says where and by whom", _located()
    yield "a PNG with texts", _texts()
    yield "a drawing", b'<?xml version="1.0"?>' + _SVG
    yield "a page", b"<!doctype html>" + _SCRIPT
    yield "a GIF that is a script", b"GIF89a/*" + MARK + b"*/=1;" + bytes(40)
    yield "a PDF", b"%PDF-1.7\n" + _SCRIPT
    yield "a ZIP", _zipped()
    yield "400 million pixels in 50 kB", _png(20_000, 20_000)
    yield "a strip", _png(200_000, 1)
    yield "200 MB of text in 200 kB", _png(64, 64, _chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(200_000_000), 9)))
    yield "a photo that claims 65,500 pixels a side", _claiming(65_500)
    yield "a photo of no pixels", _claiming(0)
    yield "nothing", b""


NAMES = (
    "../../../evil.jpg",
    "/etc/cron.d/evil.jpg",
    "C:\\evil.jpg",
    'evil.jpg"\r\nset-cookie: evil=1\r\n\r\n<script>evil',
    "evil\x00.jpg",
    "\u202egpj.evil",
    "<img src=x onerror=evil()>.jpg",
    "=HYPERLINK(evil).jpg",
    "evil" * 2000,
    "",
)
WORDS = (
    "Bram\r\nSet-Cookie: evil=1",
    "Bram\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:evil",
    "<script>evil()</script>",
    "<img src=x onerror=evil()>",
    "\"'><svg onload=evil()>",
    "{{ 7*7 }}{% evil %}",
    "evil\x00\x1b[31m",
    "\u202eevil\u2066",
    "e\u0301v\u0131l\ufeff\u200b",
)


def attack(server: Serving, *, most_memory_mb: float = 500) -> Counter[str]:
    """Send all of them; anything but a picture or a refusal, and any name that is more than text, is a FAULT."""
    outcomes: Counter[str] = Counter()
    server.make_known()
    with closing(server.signed_in("Ada")) as ada, server.client() as owner:
        token = server.start_dog(owner)
        dog = ada.post("/api/v1/dogs", json={"name": "Bramble"}).json()["id"]
        places = f"/api/v1/dogs/{dog}/intake/photos?place=left.ears"
        ada.post(places, files={"photos": ("a.jpg", _picture())}).raise_for_status()
        before = server.memory_mb
        for what, content in pictures():
            for web, path in ((owner, f"{LINKS}/{token}/photos"), (ada, places)):
                sent = web.post(path, files={"photos": ("dog.jpg", content, "image/jpeg")})
                outcomes[_judge(sent, what)] += 1
        for name in NAMES:
            outcomes[_judge(_sent_as(owner, f"{LINKS}/{token}/photos", name), f"a file called {name[:20]!r}")] += 1
        for path in _kept(owner, token, server, dog):
            outcomes[_looked_into(ada if dog in path else owner, path)] += 1
        outcomes += _words(owner, ada)
        grown = server.memory_mb - before
        outcomes["FAULT: too much memory" if grown > most_memory_mb else "memory bounded"] += 1
    if found := list(server.data.parent.rglob("*evil*")):
        outcomes[f"FAULT: wrote {found[0].name}"] += 1
    return outcomes


def _judge(answer: httpx.Response, what: str) -> str:
    if answer.status_code >= 500 or answer.is_redirect or "set-cookie" in answer.headers:
        return f"FAULT: {answer.status_code} for {what}"
    if answer.status_code >= 400:
        return "refused"
    json.loads(answer.text)  # strict: control characters must be escaped
    return "kept or refused in words"


def _sent_as(web: httpx.Client, path: str, name: str) -> httpx.Response:
    """An upload whose name is written as it is, which no library would do."""
    quoted = name.encode("utf-8", "surrogatepass").replace(b'"', b'\\"')
    head = b'--edge\r\nContent-Disposition: form-data; name="photos"; filename="' + quoted + b'"\r\n'
    body = head + b"Content-Type: image/jpeg\r\n\r\n" + _picture() + b"\r\n--edge--\r\n"
    return web.post(path, content=body, headers={"content-type": "multipart/form-data; boundary=edge"})


def _kept(owner: httpx.Client, token: str, server: Serving, dog: str) -> list[str]:
    from coatclass.records import PlacePhoto

    own = [one["id"] for one in owner.get(f"{LINKS}/{token}").json()["photos"]]
    with server.open_records() as salon:
        places = [one.id for one in salon.find(PlacePhoto, dog_id=dog)]
    return [f"{LINKS}/{token}/photos/{one}" for one in own] + [f"/api/v1/dogs/{dog}/places/{one}" for one in places]


def _looked_into(web: httpx.Client, path: str) -> str:
    """A kept picture as a browser gets it: a JPEG without anything beside its pixels, and called one."""
    answer = web.get(path)
    data = answer.content
    with Image.open(BytesIO(data)) as image:
        bare = image.format == "JPEG" and not image.getexif() and not image.info.get("icc_profile")
    safe = answer.headers["content-type"] == "image/jpeg" and answer.headers["x-content-type-options"] == "nosniff"
    if MARK in data or not bare or not safe or not data.endswith(b"\xff\xd9"):
        return "FAULT: something came with a picture"
    return "kept without what came with it"


def _words(owner: httpx.Client, ada: httpx.Client) -> Counter[str]:
    """Names and remarks of all kinds, on every page and paper on which they stand."""
    outcomes: Counter[str] = Counter()
    events = None
    for text in ("Bramble", *WORDS):
        token = owner.post(LINKS, json={"name": text, "meant_for": "groomer"}).json()["token"]
        owner.patch(f"{LINKS}/{token}/answers", json={"breed": "beagle", "patience": "tolerates"}).raise_for_status()
        sent = owner.post(f"{LINKS}/{token}/request", json={"name": text, "reach": "0000 4711"})
        dogs = [one["dog"]["id"] for one in ada.get("/api/v1/waiting").json()]
        if sent.status_code >= 400 or not dogs:
            outcomes[_judge(sent, f"a sender called {text[:20]!r}")] += 1
            continue
        ada.post(f"/api/v1/dogs/{dogs[0]}/request/accept").raise_for_status()
        ada.post(f"/api/v1/dogs/{dogs[0]}/findings", json={"category": "fur", "remarks": text}).raise_for_status()
        pages = [(owner, f"/owner/result?dog={token}"), (owner, f"{LINKS}/{token}/sheet.html")]
        pages += [(ada, f"/groomer/dog/{dogs[0]}"), (ada, f"/groomer/trail/{dogs[0]}"), (ada, "/groomer/search")]
        for web, path in pages:
            shown = web.get(path, follow_redirects=True)
            broken = shown.status_code != httpx.codes.OK or any(sign in shown.text for sign in _ALIVE)
            outcomes[f"FAULT: {text[:20]!r} lives" if broken else "shown as text"] += 1
        calendar = owner.get(f"{LINKS}/{token}/calendar.ics")
        events = events or calendar.text.count("BEGIN:VEVENT")
        same = calendar.status_code == httpx.codes.OK and calendar.text.count("\nBEGIN:VEVENT") == events
        outcomes["no appointment of its own" if same else f"FAULT: {text[:20]!r} in the calendar"] += 1
    return outcomes


_ALIVE = ("<script>evil", "<img src=x", "<svg onload", "49{%", "\x00", "\x1b", "\u202e", "\u2066")
