"""Structures and request numbers of Video4Linux, as far as a capture device needs them (linux/videodev2.h).

64-bit layouts, which x86-64 and arm64 share.
"""

import ctypes as c

_U8, _U32, _S32 = c.c_uint8, c.c_uint32, c.c_int32


class Capability(c.Structure):
    """struct v4l2_capability."""

    _fields_ = (
        ("driver", c.c_char * 16),
        ("card", c.c_char * 32),
        ("bus_info", c.c_char * 32),
        ("version", _U32),
        ("capabilities", _U32),
        ("device_caps", _U32),
        ("reserved", _U32 * 3),
    )


class FormatDescription(c.Structure):
    """struct v4l2_fmtdesc."""

    _fields_ = (
        ("index", _U32),
        ("type", _U32),
        ("flags", _U32),
        ("description", c.c_char * 32),
        ("pixelformat", _U32),
        ("mbus_code", _U32),
        ("reserved", _U32 * 3),
    )


class FrameSize(c.Structure):
    """struct v4l2_frmsizeenum; `numbers` is the union: width and height, or least, most and step of each."""

    _fields_ = (
        ("index", _U32),
        ("pixel_format", _U32),
        ("type", _U32),
        ("numbers", _U32 * 6),
        ("reserved", _U32 * 2),
    )


class FrameInterval(c.Structure):
    """struct v4l2_frmivalenum; `numbers` is the union of fractions of a second: one, or least, most and step."""

    _fields_ = (
        ("index", _U32),
        ("pixel_format", _U32),
        ("width", _U32),
        ("height", _U32),
        ("type", _U32),
        ("numbers", _U32 * 6),
        ("reserved", _U32 * 2),
    )


class PixFormat(c.Structure):
    """struct v4l2_pix_format."""

    _fields_ = tuple(
        (name, _U32)
        for name in (
            "width",
            "height",
            "pixelformat",
            "field",
            "bytesperline",
            "sizeimage",
            "colorspace",
            "priv",
            "flags",
            "ycbcr_enc",
            "quantization",
            "xfer_func",
        )
    )


class _FormatUnion(c.Union):
    # Other members hold pointers, which is why the union begins at 8.
    _fields_ = (("pix", PixFormat), ("raw", _U8 * 200), ("pointer", c.c_void_p))


class Format(c.Structure):
    """struct v4l2_format."""

    _fields_ = (("type", _U32), ("fmt", _FormatUnion))


class RequestBuffers(c.Structure):
    """struct v4l2_requestbuffers."""

    _fields_ = (
        ("count", _U32),
        ("type", _U32),
        ("memory", _U32),
        ("capabilities", _U32),
        ("flags", _U8),
        ("reserved", _U8 * 3),
    )


class _Time(c.Structure):
    _fields_ = (("tv_sec", c.c_long), ("tv_usec", c.c_long))


class _Place(c.Union):
    _fields_ = (("offset", _U32), ("userptr", c.c_ulong))


class Buffer(c.Structure):
    """struct v4l2_buffer."""

    _fields_ = (
        ("index", _U32),
        ("type", _U32),
        ("bytesused", _U32),
        ("flags", _U32),
        ("field", _U32),
        ("timestamp", _Time),
        ("timecode", _U32 * 4),
        ("sequence", _U32),
        ("memory", _U32),
        ("m", _Place),
        ("length", _U32),
        ("reserved2", _U32),
        ("request_fd", _S32),
    )


class StreamParameters(c.Structure):
    """struct v4l2_streamparm, of its union what capturing uses."""

    _fields_ = (
        ("type", _U32),
        ("capability", _U32),
        ("capturemode", _U32),
        ("numerator", _U32),
        ("denominator", _U32),
        ("rest", _U8 * 184),
    )


class ControlQuery(c.Structure):
    """struct v4l2_queryctrl."""

    _fields_ = (
        ("id", _U32),
        ("type", _U32),
        ("name", c.c_char * 32),
        ("minimum", _S32),
        ("maximum", _S32),
        ("step", _S32),
        ("default_value", _S32),
        ("flags", _U32),
        ("reserved", _U32 * 2),
    )


class Control(c.Structure):
    """struct v4l2_control."""

    _fields_ = (("id", _U32), ("value", _S32))


def _request(direction: int, number: int, argument: type) -> int:
    # asm-generic/ioctl.h: direction 1 writes to the driver, 2 reads from it; "V" is Video4Linux.
    return direction << 30 | c.sizeof(argument) << 16 | ord("V") << 8 | number


QUERYCAP = _request(2, 0, Capability)
ENUM_FMT = _request(3, 2, FormatDescription)
G_FMT = _request(3, 4, Format)
S_FMT = _request(3, 5, Format)
REQBUFS = _request(3, 8, RequestBuffers)
QUERYBUF = _request(3, 9, Buffer)
QBUF = _request(3, 15, Buffer)
DQBUF = _request(3, 17, Buffer)
STREAMON = _request(1, 18, c.c_int)
STREAMOFF = _request(1, 19, c.c_int)
S_PARM = _request(3, 22, StreamParameters)
G_CTRL = _request(3, 27, Control)
S_CTRL = _request(3, 28, Control)
QUERYCTRL = _request(3, 36, ControlQuery)
ENUM_FRAMESIZES = _request(3, 74, FrameSize)
ENUM_FRAMEINTERVALS = _request(3, 75, FrameInterval)

CAPTURE = 1  # V4L2_BUF_TYPE_VIDEO_CAPTURE
MMAP = 1  # V4L2_MEMORY_MMAP
CAP_CAPTURE, CAP_STREAMING, CAP_DEVICE_CAPS = 0x1, 0x04000000, 0x80000000
DISCRETE = 1  # V4L2_FRMSIZE_TYPE_DISCRETE and V4L2_FRMIVAL_TYPE_DISCRETE
FLAG_ERROR, FLAG_MONOTONIC, FLAG_TIMESTAMPS = 0x40, 0x2000, 0xE000
FLAG_START_OF_EXPOSURE, FLAG_SOURCES = 0x10000, 0x70000
CTRL_DISABLED, CTRL_READ_ONLY = 0x1, 0x4

CONTROLS = {
    "auto_exposure": 0x009A0901,  # V4L2_CID_EXPOSURE_AUTO: 1 is manual
    "exposure": 0x009A0902,  # V4L2_CID_EXPOSURE_ABSOLUTE, in 100 microseconds
    "auto_white_balance": 0x0098090C,
    "white_balance_k": 0x0098091A,
    "auto_gain": 0x00980912,
    "gain": 0x00980913,
    "auto_focus": 0x009A090C,
    "focus": 0x009A090A,
    "mains": 0x00980918,  # V4L2_CID_POWER_LINE_FREQUENCY: 1 is 50 Hz, 2 is 60 Hz
}


def fourcc(text: str) -> int:
    """The number of a pixel format's four characters (v4l2_fourcc)."""
    return int.from_bytes(text.encode("ascii"), "little")


def characters(number: int) -> str:
    """The four characters of a pixel format; the top bit marks big-endian ones."""
    return (number & 0x7FFFFFFF).to_bytes(4, "little").decode("ascii", errors="replace")
