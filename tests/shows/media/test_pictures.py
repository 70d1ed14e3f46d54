"""Pictures and video on a matrix. The independent packages Pillow and PyAV write the files."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.framefile.source import FrameSource
from gloaming.shows.media.mapping import Matrix
from gloaming.shows.media.pictures import Video, read_picture, read_pictures
from gloaming.shows.media.resampling import curve, paced, resampled
from tests.places import MOVING_PICTURE

MATRIX = Matrix(64, 32)


def pictures() -> Frames:
    frames: Frames = np.load(MOVING_PICTURE).reshape(132, 32, 64, 3)
    return frames


def all_of(source: FrameSource) -> Frames:
    return np.concatenate(list(source.blocks))


def film(path: Path, pixel_format: str = "bgr0", rate: Fraction = Fraction(25), codec: str = "ffv1") -> Path:
    """The moving picture in a lossless codec (FFV1, RFC 9043; or PNG pictures)."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt = 64, 32, pixel_format
        for picture in pictures():
            if pixel_format == "bgra":
                half = np.full((32, 64, 1), 128, np.uint8)
                frame = av.VideoFrame.from_ndarray(np.concatenate([picture, half], axis=2), format="rgba")
            else:
                frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def test_a_video_comes_through_byte_for_byte_at_its_own_rate(tmp_path: Path) -> None:
    video = Video(film(tmp_path / "a.mkv"), MATRIX, None)
    assert (video.source.fps, video.source.frames) == (25, 132)
    assert np.array_equal(all_of(video.source), np.load(MOVING_PICTURE))
    assert video.lost == 0


@pytest.mark.parametrize("rate", [Fraction(30000, 1001), Fraction(24000, 1001)])
def test_the_rates_of_television_are_kept_exactly(tmp_path: Path, rate: Fraction) -> None:
    video = Video(film(tmp_path / "a.avi", rate=rate), MATRIX, None)
    assert (video.source.fps, len(all_of(video.source))) == (rate, 132)


def test_a_video_at_another_rate_keeps_its_length_and_its_pictures(tmp_path: Path) -> None:
    source = Video(film(tmp_path / "a.mkv"), MATRIX, Fraction(40)).source
    frames = all_of(source)
    assert source.fps and source.frames == len(frames) == 211
    assert abs(len(frames) / source.fps - Fraction("5.28")) < Fraction(1, 1000)
    picture = np.load(MOVING_PICTURE)
    assert np.array_equal(frames, picture[[int((n + 0.5) / 211 * 132) for n in range(211)]])


def test_transparent_parts_of_a_video_are_black(tmp_path: Path) -> None:
    frames = all_of(Video(film(tmp_path / "a.mkv", "bgra"), MATRIX, None).source)
    assert np.abs(frames - np.load(MOVING_PICTURE) * (128 / 255)).max() <= 1


@pytest.mark.parametrize(
    "turns, matrix", [(0, (0, 0, 0, 0)), (1, (0, 1, -1, 0)), (2, (-1, 0, 0, -1)), (3, (0, -1, 1, 0))]
)
def test_a_video_of_an_upright_phone_is_upright(tmp_path: Path, turns: int, matrix: tuple[int, ...]) -> None:
    """ISO/IEC 14496-12, 8.3.2: the track's matrix {a, b, u, c, d, v, ...} turns x to ax + cy and y, downwards, to
    bx + dy; so a = d = 0, b = 1, c = -1 is a quarter of a turn clockwise. One of nothing but 0 turns nothing."""
    path = film(tmp_path / "a.mov", "rgb24", codec="png")
    data, (a, b, c, d) = bytearray(path.read_bytes()), matrix
    at = data.index(b"tkhd") + 44
    data[at : at + 24] = struct.pack(">6i", a << 16, b << 16, 0, c << 16, d << 16, 0)
    path.write_bytes(data)
    upright = np.rot90(pictures(), -turns, axes=(1, 2))
    frames = all_of(Video(path, Matrix(upright.shape[2], upright.shape[1]), None).source)
    assert np.array_equal(frames, upright.reshape(len(upright), -1))


def damaged(path: Path, number: int) -> Path:
    """Zeros over most of the packet of one picture."""
    with av.open(str(path)) as container:
        packets = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size]
    data = bytearray(path.read_bytes())
    start, size = packets[number]
    data[start + 20 : start + size - 2] = bytes(size - 22)
    path.write_bytes(data)
    return path


def test_a_picture_that_cannot_be_decoded_is_counted_and_the_one_before_held(tmp_path: Path) -> None:
    video = Video(damaged(film(tmp_path / "a.mov", "rgb24", codec="png"), 40), MATRIX, None)
    frames = all_of(video.source)
    picture = np.load(MOVING_PICTURE)
    assert len(frames) == 132 and np.array_equal(frames[:40], picture[:40])
    assert np.array_equal(frames[40], picture[39]) and np.array_equal(frames[41:], picture[41:])
    assert video.lost == 1


def test_a_picture_mended_by_the_decoder_is_counted_too(tmp_path: Path) -> None:
    video = Video(damaged(film(tmp_path / "a.mkv"), 40), MATRIX, None)
    frames = all_of(video.source)
    assert len(frames) == 132 and np.array_equal(frames[:40], np.load(MOVING_PICTURE)[:40])
    assert (video.lost, video.mended) == (0, 1)


def test_a_video_without_a_rate_takes_the_one_that_is_given(tmp_path: Path) -> None:
    """A single picture has no rate. A bare H.264 stream (Annex B) has no times."""
    path = tmp_path / "a.nut"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 32, "bgr0"
        container.mux(stream.encode(av.VideoFrame.from_ndarray(pictures()[0], format="rgb24")))
        container.mux(stream.encode())
    with pytest.raises(InputError, match="no frame rate; add one: --fps 25"):
        Video(path, MATRIX, None)
    assert np.array_equal(all_of(Video(path, MATRIX, Fraction(25)).source)[:1], np.load(MOVING_PICTURE)[:1])
    bare = tmp_path / "a.h264"
    with av.open(str(bare), "w") as container:
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 32, "yuv420p"
        container.mux(stream.encode(av.VideoFrame.from_ndarray(pictures()[0], format="rgb24")))
        container.mux(stream.encode())
    with pytest.raises(InputError, match=r"have no times; convert it to an .mkv or .mp4 file"):
        Video(bare, MATRIX, None)


def test_a_file_that_is_no_video_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    for data in (b"", b"text" * 100):
        path.write_bytes(data)
        with pytest.raises(InputError, match="not a video"):
            Video(path, MATRIX, None)


def test_a_folder_of_pictures_is_read_in_the_order_of_its_numbers(tmp_path: Path) -> None:
    for number in (1, 2, 10, 11):
        Image.fromarray(pictures()[number]).save(tmp_path / f"tide-{number}.{'PNG' if number == 2 else 'png'}")
    (tmp_path / "._tide-1.png").write_bytes(b"what some systems leave beside a file")
    source = read_pictures(tmp_path, MATRIX)
    assert (source.frames, source.fps) == (4, None)
    assert np.array_equal(all_of(source), np.load(MOVING_PICTURE)[[1, 2, 10, 11]])
    (tmp_path / "tide-3.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(InputError, match=r"tide-3.png"):
        all_of(read_pictures(tmp_path, MATRIX))
    (tmp_path / "none").mkdir()
    with pytest.raises(InputError, match=r"no \.png"):
        read_pictures(tmp_path / "none", MATRIX)


def gif(path: Path, durations_ms: list[int]) -> Path:
    grey = [Image.new("L", (8, 4), 10 * number) for number in range(len(durations_ms))]
    grey[0].save(path, save_all=True, append_images=grey[1:], duration=durations_ms)
    return path


def test_a_gif_has_the_rate_of_its_pictures_and_every_one_its_time(tmp_path: Path) -> None:
    even = read_picture(gif(tmp_path / "a.gif", [40] * 6), Matrix(8, 4), None)
    assert even.fps == 25
    assert all_of(even)[:, 0].tolist() == [0, 10, 20, 30, 40, 50]
    uneven = read_picture(gif(tmp_path / "b.gif", [100, 300, 200]), Matrix(8, 4), Fraction(10))
    assert all_of(uneven)[:, 0].tolist() == [0, 10, 10, 10, 20, 20]
    with pytest.raises(InputError, match="--fps"):
        read_picture(tmp_path / "b.gif", Matrix(8, 4), None)


def test_a_damaged_gif_is_a_mistake(tmp_path: Path) -> None:
    path = gif(tmp_path / "a.gif", [40] * 6)
    path.write_bytes(path.read_bytes()[:30])
    with pytest.raises(InputError):
        all_of(read_picture(path, Matrix(8, 4), None))


def test_a_single_picture_with_transparency_is_one_frame(tmp_path: Path) -> None:
    rgba = np.zeros((32, 64, 4), np.uint8)
    rgba[:, 32:] = (200, 100, 50, 255)
    rgba[:, :32] = (200, 100, 50, 0)
    Image.fromarray(rgba).save(tmp_path / "a.png")
    (frame,) = all_of(read_picture(tmp_path / "a.png", MATRIX, None)).reshape(1, 32, 64, 3)
    assert (frame[:, :32] == 0).all() and (frame[:, 32:] == (200, 100, 50)).all()


def test_a_larger_picture_is_the_mean_of_what_falls_on_a_pixel(tmp_path: Path) -> None:
    large = np.random.default_rng(1).integers(0, 256, (64, 128, 3), np.uint8)
    Image.fromarray(large).save(tmp_path / "a.png")
    mean = large.reshape(32, 2, 64, 2, 3).mean(axis=(1, 3))
    assert np.abs(all_of(read_picture(tmp_path / "a.png", MATRIX, None)).reshape(32, 64, 3) - mean).max() <= 1


@pytest.mark.parametrize("length, asked", [("5.28", 40), ("5.28", 25), ("180.017", 44), ("0.01", 25), ("3600", 40)])
def test_a_new_rate_keeps_the_length_to_the_millisecond(length: str, asked: int) -> None:
    frames, fps = paced(Fraction(length), Fraction(asked))
    assert abs(frames / fps - Fraction(length)) < Fraction(1, 1000)
    assert fps <= asked or frames == 1


def test_an_array_at_another_rate_holds_its_frames() -> None:
    block = np.arange(4, dtype=np.uint8)[:, None]
    source, fps = resampled(FrameSource(1, 4, None, [block[:3], block[3:]]), Fraction(10), Fraction(20))
    assert fps == 20 and all_of(source)[:, 0].tolist() == [0, 0, 1, 1, 2, 2, 3, 3]
    source, fps = resampled(FrameSource(1, 4, None, [block]), Fraction(10), Fraction(5))
    assert fps == 5 and all_of(source)[:, 0].tolist() == [1, 3]


def test_the_curve_of_screens() -> None:
    """IEC 61966-2-1 (sRGB): 0.5 on the screen is 0.2140 of the light; the straight part ends at 0.04045."""
    table = curve("srgb")
    assert table is not None
    assert (table[0], table[128], table[255]) == (0, round(0.2158605 * 255), 255)
    assert table[10] == round(10 / 12.92)
    power = curve("2.2")
    assert power is not None and power[128] == round((128 / 255) ** 2.2 * 255)
    assert curve("1") is None
    for text in ("", "x", "0", "-1", "nan", "99"):
        with pytest.raises(InputError, match="--gamma"):
            curve(text)
