"""What is written down of a performer, by code name only: the helmet as set, how they look, what happened."""

from dataclasses import dataclass, field, fields, replace

__all__ = ["ApprovedFitting", "Knock", "PerformerLooks", "PerformerRecord", "Worn"]


@dataclass(frozen=True, kw_only=True)
class PerformerLooks:
    """How a performer looks on the day; None where nobody has said yet. Notes are free text."""

    glasses: bool | None = None
    accessories: bool | None = None
    heavy_make_up: bool | None = None
    hair_over_brows: bool | None = None
    facial_hair: bool | None = None
    make_up_note: str = ""
    hair_note: str = ""

    @property
    def unknown(self) -> tuple[str, ...]:
        """Names of what nobody has said yet."""
        return tuple(each.name for each in fields(self) if getattr(self, each.name) is None)

    def answered(self, name: str, answer: bool) -> "PerformerLooks":
        """The looks with one of the questions answered; ValueError for what is none."""
        match name:
            case "glasses":
                return replace(self, glasses=answer)
            case "accessories":
                return replace(self, accessories=answer)
            case "heavy_make_up":
                return replace(self, heavy_make_up=answer)
            case "hair_over_brows":
                return replace(self, hair_over_brows=answer)
            case "facial_hair":
                return replace(self, facial_hair=answer)
            case _:
                raise ValueError(f"{name!r} is no question about looks")

    def changed_from(self, earlier: "PerformerLooks") -> tuple[str, ...]:
        """Names of what is known both times and differs; notes differ where both are given."""
        return tuple(
            each.name
            for each in fields(self)
            if getattr(self, each.name) not in (None, "")
            and getattr(earlier, each.name) not in (None, "")
            and getattr(self, each.name) != getattr(earlier, each.name)
        )


@dataclass(frozen=True, kw_only=True)
class Worn:
    """When the helmet went on and, once it did, off (ISO 8601)."""

    on: str
    off: str | None = None


@dataclass(frozen=True, kw_only=True)
class Knock:
    """When the helmet or a camera was knocked (ISO 8601), and what happened."""

    when: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ApprovedFitting:
    """A fitting that was approved: when, the SHA-256 of its result.json, and how the performer looked."""

    when: str
    result_sha256: str
    looks: PerformerLooks = field(default_factory=PerformerLooks)


@dataclass(frozen=True, kw_only=True)
class PerformerRecord:
    """A performer, by code name, never a real one, and the helmet as set for them.

    `head_borne_kg` is all that the head carries; `overhang_mm` is how far its centre of mass lies before the ear
    canals. `rig` and `calibration` name what is in force.
    """

    code_name: str
    helmet: str = ""
    pads: str = ""
    boom_mark: str = ""
    lens_marks: str = ""
    head_borne_kg: float | None = None
    overhang_mm: float | None = None
    rig: str = ""
    calibration: str = ""
    looks: PerformerLooks = field(default_factory=PerformerLooks)
    worn: tuple[Worn, ...] = ()
    knocks: tuple[Knock, ...] = ()
    notes: tuple[str, ...] = ()
    approved: ApprovedFitting | None = None

    @property
    def moment_ncm(self) -> float | None:
        """Moment of what the head carries about the ear canals, N·cm; None when mass or overhang is not known."""
        if self.head_borne_kg is None or self.overhang_mm is None:
            return None
        # 9.81 m/s² · kg · cm
        return 9.81 * self.head_borne_kg * self.overhang_mm / 10.0
