"""What the picture of a verdict tells of each run that is pointed at: the rows of that picture, run by run."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.urls import reverse

from prospecting.calc.language import phrase
from trials.frames.trial_lines import RunLine
from trials.frames.verdicts import Picture, TableLine, TrialVerdict
from trials.models import Trial


@dataclass(frozen=True)
class Pointing:
    """Rows for the chart (its keyword arguments) and what is said of the whole; `nothing` says why there are no rows."""

    rows: list[dict] = field(default_factory=list)
    caption: str = ""
    margin_ratio: float | None = None
    below_text: str = ""
    by_places: bool = False
    nothing: str = ""


def pointing_of(trial: Trial, found: TrialVerdict) -> Pointing:
    """The picture that `found` gives, with the name, the words and the page of every run in it and of every run left out."""
    picture, by_places = found.picture, found.judged is not None
    if found.no_picture:
        return Pointing(nothing=found.no_picture)
    words = _Words(trial, picture, by_places)
    return Pointing(
        rows=[
            _row(treatment, row, found.runs, words)
            for treatment, row in zip(found.table, picture.rows, strict=True)
        ],
        caption=picture.caption,
        margin_ratio=picture.margin_ratio,
        below_text=picture.below_text,
        by_places=by_places,
    )


@dataclass(frozen=True)
class _Words:
    """How one run or interval of this picture is put into words."""

    trial: Trial
    picture: Picture
    by_places: bool

    @property
    def by_ratio(self) -> bool:
        return self.picture.margin_ratio is not None

    def run(self, line: RunLine, drawn: float | None) -> dict:
        """The keyword arguments of one run; `drawn` is where it stands on the axis, None without a place there."""
        from trials.calc.working import figure

        told = [line.treatment, phrase("code {code}", code=line.planned.blind_code)]
        if self.trial.in_blocks:
            told.append(phrase("block {number}", number=line.block))
        told.append(
            phrase("panned by {panner}", panner=line.run.panner)
            if line.is_blind
            else phrase("panned by {panner}, who had seen the key", panner=line.run.panner)
        )
        result = line.result
        if not line.counts:
            result = (
                phrase("{result}, so it is left out ({why})", result=result, why=line.left_out)
                if line.left_out
                else phrase("{result}, so it is left out", result=result)
            )
        elif drawn is not None and self.by_ratio:
            result += f", {figure(drawn)} {self.picture.caption}"
        return {
            "value": drawn,
            "kind": "counts" if drawn is not None else "below" if line.counts else "left out",
            "block": line.block if self.trial.in_blocks and line.counts else None,
            "label": self._label(line),
            "sentence": f"{', '.join(told)}: {result}.",
            "page": reverse("run-detail", args=[line.run.pk]),
        }

    def interval(self, treatment: TableLine, row: dict) -> dict:
        level = "" if treatment.interval.endswith("%)") else " (95 %)"
        parts = {"treatment": treatment.name, "interval": f"{treatment.interval}{level}"}
        told = (
            phrase(
                "{treatment}: {ratio} {caption}, interval {interval}",
                ratio=treatment.ratio,
                caption=self.picture.caption,
                **parts,
            )
            if treatment.ratio
            else phrase("{treatment}: interval {interval}", **parts)
        )
        return {name: row[name] for name in ("centre", "lower", "upper", "shown", "worse")} | {
            "sentence": phrase("{interval}, shown.", interval=told)
            if row["shown"]
            else phrase("{interval}, not shown.", interval=told)
        }

    def _label(self, line: RunLine) -> list[str]:
        """Short lines beside a dot."""
        where = (
            phrase("{code}, block {block}", code=line.planned.blind_code, block=line.block)
            if self.trial.in_blocks
            else line.planned.blind_code
        )
        return [
            where,
            line.result if line.counts else f"{line.result}: {line.left_out}",
            str(line.run.panner),
        ]


def _row(treatment: TableLine, row: dict, runs: Iterable[RunLine], words: _Words) -> dict:
    done = [line for line in runs if line.treatment == treatment.name and line.run is not None]
    on_axis = [line for line in done if line.counts and line.value > 0]
    elsewhere = [line for line in done if line not in on_axis]
    drawn: Sequence[tuple[RunLine, float | None]] = [
        *zip(on_axis, row["values"], strict=True),
        *((line, None) for line in elsewhere),
    ]
    has_interval = row.get("lower") is not None or row.get("upper") is not None
    return {
        "label": row["label"],
        "runs": [words.run(line, value) for line, value in drawn],
        "interval": words.interval(treatment, row) if has_interval else None,
    }
