"""Pictures made to do harm, and pictures that tell where they were taken, written for these tests.

Chunks and segments by the PNG specification (W3C, section 5), ITU-T T.81 annex B (JPEG), the Exif 2.3 standard (tag numbers),
IPTC-IIM 4.2 (data sets) and RFC 9649 (WebP).
"""

import io
import random
import struct
import zlib
from collections.abc import Callable, Iterator

PNG_BEGINS = b"\x89PNG\r\n\x1a\n"


def png_chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png_header(width: int, height: int, *, bits: int = 8, colour: int = 2) -> bytes:
    return png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0))


def png_bomb(side: int) -> bytes:
    """A small PNG file of side x side black pixels; written by hand, for Pillow would hold them all to write it."""
    packer = zlib.compressobj(9)
    row = bytes(1 + (side + 7) // 8)
    rows = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    header = png_header(side, side, bits=1, colour=0)
    return PNG_BEGINS + header + png_chunk(b"IDAT", rows) + png_chunk(b"IEND", b"")


def png_of_header(width: int, height: int) -> bytes:
    """A PNG that says it is this large and holds next to nothing."""
    pixels = png_chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return PNG_BEGINS + png_header(width, height) + pixels + png_chunk(b"IEND", b"")


def png_with_text_bomb() -> bytes:
    """A small PNG whose packed comments unpack to 200 MB."""
    text = b"Comment\0\0" + zlib.compress(b" " * 1_000_000, 9)
    small = drawn("PNG")
    at = small.index(b"IDAT") - 4
    return small[:at] + png_chunk(b"zTXt", text) * 200 + small[at:]


def drawn(kind: str, size: tuple[int, int] = (8, 6), **options) -> bytes:
    from PIL import Image

    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    out = io.BytesIO()
    Image.new("RGB", size, (200, 160, 20)).save(out, kind, **options)
    return out.getvalue()


def noise(kind: str, size: tuple[int, int], **options) -> bytes:
    """A picture with grain, so that it takes as long to read as a real one."""
    from PIL import Image

    small = Image.frombytes("L", (400, 300), random.Random(1).randbytes(120_000))
    out = io.BytesIO()
    small.resize(size).convert("RGB").save(out, kind, **options)
    return out.getvalue()


def jpeg_resized(width: int, height: int) -> bytes:
    """A small JPEG whose header names another size (frame header: ITU-T T.81, B.2.2)."""
    data = bytearray(drawn("JPEG"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


def jpeg_of_scans(scans: int, size: tuple[int, int] = (4000, 4000)) -> bytes:
    """A progressive JPEG of one colour whose last scan comes over and over again, each time over the whole picture."""
    data = drawn("JPEG", size, progressive=True)
    at, end = data.rindex(b"\xff\xda"), data.rindex(b"\xff\xd9")
    return data[:end] + data[at:end] * scans + data[end:]


def jpeg_with_an_end_within(segment: bytes, *, fill: bytes = b"", scans: int = 200) -> bytes:
    """A progressive JPEG with a segment between its scans in which the mark of the end stands, and many scans behind that."""
    data = drawn("JPEG", (1000, 1000), progressive=True)
    at, end = data.rindex(b"\xff\xda"), data.rindex(b"\xff\xd9")
    return data[:at] + segment + data[at:end] + (fill + data[at:end]) * scans + data[end:]


def sized(data: bytes, was: tuple[int, int], says: tuple[int, int]) -> bytes:
    """A HEIC or AVIF whose property of its size names another one (ispe: ISO/IEC 23008-12, 6.5.3)."""
    before, after = (b"ispe\0\0\0\0" + struct.pack(">II", *size) for size in (was, says))
    assert before in data
    return data.replace(before, after)


def gif_of_frames(frames: int) -> bytes:
    """A film of one pixel (GIF89a)."""
    frame = b",\0\0\0\0\x01\0\x01\0\0\x02\x02D\x01\0"
    return b"GIF89a\x01\0\x01\0\x80\0\0\0\0\0\xff\xff\xff" + frame * frames + b";"


# By name: what makes it. Every one of them is refused, by its first bytes or its header, or while it is read apart.
HOSTILE: dict[str, Callable[[], bytes]] = {
    "13,000 square.png": lambda: png_bomb(13_000),
    "20,000 square.png": lambda: png_bomb(20_000),
    "65,500 square.jpg": lambda: jpeg_resized(65_500, 65_500),
    "65,500 wide and cut.jpg": lambda: jpeg_resized(65_500, 600)[:300],
    "thousand scans.jpg": lambda: jpeg_of_scans(1000, (1000, 1000)),
    "end within a comment.jpg": lambda: jpeg_with_an_end_within(jpeg_segment(0xFE, b"\xff\xd9")),
    "end within a segment nobody knows.jpg": lambda: jpeg_with_an_end_within(
        b"\xff" * 3 + jpeg_segment(0xEB, b"\xff\xd8\xff\xd9\xff")
    ),
    "end within a comment, fill bytes before each scan.jpg": lambda: jpeg_with_an_end_within(
        jpeg_segment(0xFE, b"\xff\xd9" * 9), fill=b"\xff" * 5
    ),
    "two million empty segments.jpg": lambda: jpeg_with_an_end_within(b"\xff\xfe\0\2" * 2_000_000, scans=0),
    "ten thousand frames.gif": lambda: gif_of_frames(10_000),
    "text bomb.png": png_with_text_bomb,
    "cut.jpg": lambda: noise("JPEG", (600, 400))[:9000],
    "cut.png": lambda: noise("PNG", (600, 400))[:9000],
    "cut.webp": lambda: noise("WEBP", (600, 400))[:3000],
    "huge.heic": lambda: sized(drawn("HEIF", (64, 64)), (64, 64), (40_000, 40_000)),
    "huge by a little.heic": lambda: sized(drawn("HEIF", (64, 64)), (64, 64), (6400, 6400)),
    "larger than it says.heic": lambda: sized(drawn("HEIF", (1200, 1200)), (1200, 1200), (64, 64)),
    "huge.avif": lambda: sized(drawn("AVIF", (64, 64)), (64, 64), (40_000, 40_000)),
    "script.gif": lambda: b"GIF89a/*" + b"\0" * 30 + b"*/=1;alert(1)//;",
    "program.jpg": lambda: b"\x7fELF\x02\x01\x01" + bytes(200),
    "box of nothing.heic": lambda: b"\xff\xff\xff\xffftypheic" + bytes(200),
}


# ---- Positions hidden in pictures.

LATITUDE, LONGITUDE = "47.113917", "113.598274"
MINUTES = "47,6.83502N", "113,35.89644W"
# Degrees, minutes and seconds as Exif keeps them: the seconds are 50.1013 and 53.7863, which no fraction says in less.
SECONDS = ((501_013, 10_000), (537_863, 10_000))
# Each of them as it may stand in a file.
PLANTED = [
    *(text.encode(coding) for text in (LATITUDE, LONGITUDE, *MINUTES) for coding in ("ascii", "utf-16-le", "utf-16-be")),
    *(struct.pack(order + "II", *pair) for pair in SECONDS for order in "<>"),
    *(struct.pack(order + "d", float(text)) for text in (LATITUDE, LONGITUDE) for order in "<>"),
]  # fmt: skip
WORDS = f"the spot {LATITUDE} {LONGITUDE}".encode()
XMP = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    f'xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="{MINUTES[0]}" exif:GPSLongitude="{MINUTES[1]}"/>'
    "</rdf:RDF></x:xmpmeta>"
).encode()
MAKER_NOTE = b"INVENTED\0" + struct.pack("<dd", float(LATITUDE), float(LONGITUDE))


def exif_of(*which: str, lies_on_its_side: bool = True):
    from PIL import Image
    from PIL.TiffImagePlugin import IFDRational

    exif = Image.Exif()
    if lies_on_its_side:
        exif[0x0112] = 6
    if "gps" in which:
        seconds = [IFDRational(*pair) for pair in SECONDS]
        exif.get_ifd(0x8825).update(
            {1: "N", 2: (47.0, 6.0, seconds[0]), 3: "W", 4: (113.0, 35.0, seconds[1])}
        )
    if "maker" in which:
        exif.get_ifd(0x8769)[0x927C] = MAKER_NOTE
    if "comment" in which:
        exif.get_ifd(0x8769)[0x9286] = b"ASCII\0\0\0" + WORDS
    if "words" in which:
        exif[0x010E] = WORDS.decode()
        exif[0x9C9C] = WORDS.decode().encode("utf-16-le")
    return exif


def jpeg_segment(marker: int, data: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(data) + 2) + data


def _jpeg(*segments: bytes, behind: bytes = b"", **options) -> bytes:
    data = drawn("JPEG", (64, 48), **options)
    return data[:2] + b"".join(segments) + data[2:] + behind


def _small_one_within_exif() -> bytes:
    """Exif whose second directory is a small JPEG (tags 0x0201, 0x0202) that tells by itself."""
    small = _jpeg(comment=WORDS)
    first = struct.pack("<2sHIHI", b"II", 42, 8, 0, 14)
    second = struct.pack("<HHHIIHHIII", 2, 0x0201, 4, 1, 44, 0x0202, 4, 1, len(small), 0)
    return b"Exif\0\0" + first + second + small


_CAPTION = struct.pack(">BBBH", 0x1C, 2, 120, len(WORDS)) + WORDS
IPTC = b"Photoshop 3.0\x008BIM\x04\x04\0\0" + struct.pack(">I", len(_CAPTION)) + _CAPTION


def _profile() -> bytes:
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return profile + WORDS


def _png(*chunks: bytes, behind: bytes = b"", **options) -> bytes:
    data = drawn("PNG", (64, 48), **options)
    at = data.index(b"IDAT") - 4
    return data[:at] + b"".join(chunks) + data[at:] + behind


def _webp(*, chunk: bytes = b"", **options) -> bytes:
    data = drawn("WEBP", (64, 48), **options) + chunk
    return data[:4] + struct.pack("<I", len(data) - 8) + data[8:]


def _box(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data) + 8) + name + data


def located_pictures() -> Iterator[tuple[str, Callable[[], bytes]]]:
    """Name and maker of pictures that tell the planted position, in every place we know of each kind."""
    exifs = [("gps",), ("maker",), ("comment",), ("words",), ("gps", "maker", "comment", "words")]
    for kind, ending in (
        ("JPEG", "jpg"),
        ("PNG", "png"),
        ("WEBP", "webp"),
        ("HEIF", "heic"),
        ("AVIF", "avif"),
    ):
        for which in exifs:
            yield (
                f"exif {'-'.join(which)}.{ending}",
                # Pillow turns an AVIF by a property of its own, and leaves Exif data alone only where nothing is to be turned.
                lambda kind=kind, which=which: drawn(
                    kind, (64, 48), exif=exif_of(*which, lies_on_its_side=kind != "AVIF").tobytes()
                ),
            )
        yield (
            f"profile.{ending}",
            lambda kind=kind: drawn(kind, (64, 48), icc_profile=_profile()),
        )
    yield "xmp.jpg", lambda: _jpeg(xmp=XMP)
    yield "xmp by hand.jpg", lambda: _jpeg(jpeg_segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + XMP))
    yield "comment.jpg", lambda: _jpeg(comment=WORDS)
    yield "two comments.jpg", lambda: _jpeg(jpeg_segment(0xFE, WORDS), jpeg_segment(0xFE, WORDS))
    yield "iptc.jpg", lambda: _jpeg(jpeg_segment(0xED, IPTC))
    yield "segment nobody knows.jpg", lambda: _jpeg(jpeg_segment(0xEB, MAKER_NOTE + WORDS))
    yield "small one within exif.jpg", lambda: _jpeg(jpeg_segment(0xE1, _small_one_within_exif()))
    yield "behind the end.jpg", lambda: _jpeg(behind=WORDS + MAKER_NOTE)
    yield "second picture behind.jpg", lambda: _jpeg(behind=drawn("JPEG", (64, 48), exif=exif_of("gps")))
    yield "several pictures.jpg", _several_pictures
    yield "packed file behind.jpg", lambda: _jpeg(behind=_packed())
    yield "text.png", lambda: _png(png_chunk(b"tEXt", b"Comment\0" + WORDS))
    yield "international text.png", lambda: _png(png_chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + XMP))
    yield "chunk nobody knows.png", lambda: _png(png_chunk(b"spOt", WORDS))
    yield "behind the end.png", lambda: _png(behind=WORDS)
    yield "xmp.webp", lambda: _webp(xmp=XMP)
    yield (
        "chunk nobody knows.webp",
        lambda: _webp(chunk=b"SPOT" + struct.pack("<I", 64) + WORDS.ljust(64), xmp=XMP),
    )
    yield "xmp.heic", lambda: drawn("HEIF", (64, 48), xmp=XMP)
    yield "box behind.heic", lambda: drawn("HEIF", (64, 48)) + _box(b"free", WORDS)
    yield "xmp.avif", lambda: drawn("AVIF", (64, 48), xmp=XMP)
    yield "box behind.avif", lambda: drawn("AVIF", (64, 48)) + _box(b"free", WORDS)


def _several_pictures() -> bytes:
    """As many phones write it: a second picture behind the first, announced in a segment (MPF)."""
    from PIL import Image

    out = io.BytesIO()
    first, second = Image.new("RGB", (64, 48), "brown"), Image.new("RGB", (64, 48), "grey")
    first.save(out, "MPO", save_all=True, append_images=[second], exif=exif_of("gps", "maker"))
    return out.getvalue()


def _packed() -> bytes:
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("spot.txt", WORDS)
    return out.getvalue()
