"""The shop: the workshop's settings, its images and its stock; `shop_file` reads a shop's own."""

from __future__ import annotations

import tomllib
from enum import StrEnum
from functools import cache
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from advisor.files import datasets
from advisor.phrases import printable
from advisor.unit import BootMode, StorageKind


class Edition(StrEnum):
    """Desktop flavours of a Debian release, in the default order of richness."""

    GNOME = "GNOME"
    PLASMA = "KDE Plasma"
    CINNAMON = "Cinnamon"
    MATE = "MATE"
    XFCE = "Xfce"
    LXQT = "LXQt"
    LXDE = "LXDE"


class Practice(StrEnum):
    """Ways of working that save hands; a shop names those that it has."""

    PRESEEDED = "preseeded installer"
    CACHE = "local package cache"
    SECOND_STICK = "second stick"
    FIRMWARE_STICK = "firmware on the stick"
    LAYOUT_PACKAGE = "default layout as a package"
    SIDE_BY_SIDE = "two units side by side"


class Installer(StrEnum):
    """Ways in which an image gets a system onto a disk."""

    LIVE = "live"
    PACKAGES = "packages"
    CLONE = "clone"

    @classmethod
    def _missing_(cls, value: object) -> Installer | None:
        # As shops' files called it before a clone was known.
        return cls.PACKAGES if value == "text" else None


class Architecture(StrEnum):
    """Debian's names of the architectures that an image may be for."""

    AMD64 = "amd64"
    I386 = "i386"


class PartKind(StrEnum):
    """What kind of part may be fitted."""

    MEMORY = "memory"
    SSD = "ssd"
    WIRELESS = "wireless"


def _named(text: str) -> str:
    name = printable(text)
    if not name:
        raise ValueError("a name needs a letter or more")
    return name


# The ends of what is accepted here and below only keep slips of the pen out: common practice, no source.
Words = Annotated[str, Field(max_length=200), AfterValidator(printable)]
Name = Annotated[str, Field(max_length=200), AfterValidator(_named)]
"""What a shop calls something, in one line: it is shown on terminals, pages and paper."""


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Image(_Record):
    """An installable medium."""

    name: Name = Field(description="the shop's name for it, such as debian-13")
    release: str = Field(description="release of the distribution, such as 13")
    kernel: str = Field(description="name of the driver table, such as debian-13")
    architecture: Architecture = Architecture.AMD64
    editions: tuple[str, ...] = Field(default=tuple(Edition), description="editions it installs")
    firmware: tuple[str, ...] = Field(
        default=("area:main", "area:non-free-firmware"),
        description="firmware packages it carries; 'area:NAME' stands for all of that archive area",
    )
    boots: tuple[BootMode, ...] = Field(default=tuple(BootMode), description="firmware modes it boots in")
    installer: Installer = Field(
        default=Installer.LIVE,
        description="how it installs: live (its session's installer copies it), packages (the text installer fetches "
        "them), clone (a packed file system is written to the disk)",
    )
    on_hand: bool = Field(default=True, description="a stick with it lies ready")
    sticks: int = Field(default=1, ge=0, le=1000, description="sticks with it, where one lies ready")

    @property
    def flavour(self) -> str:
        """Debian's name for the kernels of its architecture, as in linux-image-amd64."""
        return "amd64" if self.architecture is Architecture.AMD64 else "686-pae"


class Part(_Record):
    """A part in stock that may be fitted to a unit."""

    name: Name
    kind: PartKind
    fits: str = Field(
        default="",
        description="memory: type and form, such as DDR4 SODIMM; ssd: sata (2.5-inch), msata, m.2 sata or nvme; "
        "wireless: usb, m.2 or mini pcie",
    )
    gib: float = Field(default=0, ge=0, le=1e6, description="memory or disk size [GiB]")
    device: str = Field(default="", description="wireless: its id, such as usb:0bda:c811")
    count: int = Field(default=1, ge=0, le=10**6, description="how many lie in the drawer")
    fit_min: float | None = Field(
        default=None, ge=0, le=1e4,
        description="hands-on minutes to fit it, the shop's own; by kind of box when left out [min]",
    )  # fmt: skip

    def several(self, times: int) -> str:
        """So many of it, such as '2 x 4 GiB DDR3 DIMM'."""
        return self.name if times == 1 else f"{times} x {self.name}"

    @property
    def disk_kind(self) -> StorageKind:
        """What disk it is, of an SSD."""
        return StorageKind.NVME if self.fits == "nvme" else StorageKind.SATA_SSD


class Thresholds(_Record):
    """What counts as comfortable, and when a fact is raised as a flag."""

    # All of these are common practice, no source, but where a line says otherwise.
    desktop_s: float = Field(default=45, ge=0.1, le=1e4, description="login to usable desktop [s]")
    # About as long as attention holds: J. Nielsen, Usability Engineering, 1993, chapter 5, from memory.
    browser_s: float = Field(default=10, ge=0.1, le=1e4, description="click to usable browser [s]")
    memory_left_pct: float = Field(default=25, ge=0, le=90, description="memory left with browser open [%]")
    headroom_mib: float = Field(
        default=2048, ge=0, le=1e9,
        description="memory left for more pages; a desktop that leaves less wants a module [MiB]",
    )  # fmt: skip
    disk_left_pct: float = Field(default=25, ge=0, le=90, description="disk left after the install [%]")
    certainty: float = Field(default=0.8, gt=0.5, lt=1, description="certainty asked of the comfort model")
    storage_health_pct: float = Field(default=20, ge=0, le=100, description="disk life left that is flagged below [%]")
    battery_health_pct: float = Field(default=60, ge=0, le=100, description="battery health flagged below [%]")
    slot_max_min: float = Field(default=240, gt=0, le=1e6, description="elapsed minutes flagged above [min]")
    slow_limit: float = Field(
        default=4, ge=1, le=1e4,
        description="no unit leaves that takes more than this many times desktop_s or browser_s",
    )  # fmt: skip


Span = Annotated[str, Field(pattern=r"^([01]?\d|2[0-3]):[0-5]\d *[-–] *([01]?\d|2[0-4]):[0-5]\d$")]
"""From one time of the day to another, such as '09:00-17:00'."""


class Person(_Record):
    """A technician of the day's plan."""

    name: Name = Field(description="as in the bench log, whose pace is taken")
    hours: Span | None = Field(default=None, description="working hours; the shop's when left out")
    breaks: tuple[Span, ...] | None = Field(default=None, description="breaks; the shop's when left out")


class Waived(_Record):
    """A rule of the hand-over check that this shop does not ask."""

    rule: Name = Field(description="its id, as `advisor handover --rules` lists it")
    reason: Words = Field(description="why, in words")


class Shop(_Record):
    """The workshop's settings."""

    name: Words = "this bench"
    default_image: Words = Field(default="debian-13", description="image meant for a unit unless it says otherwise")
    link_mbps: float = Field(default=50, ge=0.01, le=1e6, description="download speed at the bench [Mbit/s]")
    slots: int = Field(default=4, ge=1, le=1000, description="units that can be powered and installed at once")
    hands: int = Field(default=1, ge=1, le=1000, description="people working at the bench")
    hours: Span = Field(default="09:00-17:00", description="working hours of the bench")
    breaks: tuple[Span, ...] = Field(default=("12:30-13:00",), description="breaks of the bench")
    technicians: tuple[Person, ...] = Field(
        default=(), description="who works at the bench, in place of `hands`, for the day's plan"
    )
    richness: tuple[str, ...] = Field(default=tuple(Edition), description="editions, richest first")
    default_edition: str | None = Field(default=None, description="the usual edition; None means the richest")
    take_richest: bool = Field(
        default=False, description="take the richest comfortable edition, not the usual one, where both would do"
    )
    practices: tuple[Practice, ...] = Field(
        default=(), description=f"ways of working that save hands: {', '.join(Practice)}"
    )
    buys_parts: bool = Field(default=True, description="a part that the drawer lacks may be bought for a unit")
    bench_names: tuple[Words, ...] = Field(
        default=(), description="names that no unit may leave with: bench account, host names, networks, the shop"
    )
    waived: tuple[Waived, ...] = Field(default=(), description="rules of the hand-over check that are not asked")
    thresholds: Thresholds = Thresholds()
    images: tuple[Image, ...] = ()
    stock: tuple[Part, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Shop:
        names = [image.name for image in self.images]
        if len(set(names)) != len(names):
            raise ValueError("two images have the same name")
        if names and self.default_image not in names:
            raise ValueError(f"default_image {self.default_image!r} is none of the images: {', '.join(names)}")
        if not self.richness or len(set(self.richness)) != len(self.richness):
            raise ValueError("richness must list at least one edition, each once")
        if self.default_edition is not None and self.default_edition not in self.richness:
            raise ValueError(f"default_edition {self.default_edition!r} is not in richness")
        return self

    @property
    def standard_edition(self) -> str:
        """The edition that counts as standard; a unit advised a less rich one gets a lighter image."""
        return self.default_edition or self.richness[0]

    def image(self, name: str) -> Image | None:
        """Find an image by name, ignoring case and surrounding space; None when there is none."""
        wanted = name.strip().casefold()
        return next((image for image in self.images if image.name.casefold() == wanted), None)


@cache
def default_shop() -> Shop:
    """Built-in settings: Debian's images as published, an empty drawer."""
    return Shop.model_validate(tomllib.loads((datasets() / "shop" / "default.toml").read_text(encoding="utf-8")))
