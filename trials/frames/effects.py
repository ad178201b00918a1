"""What a closed trial shows beyond its verdict: factors and their combinations, gold per hour, one panner and another."""

from dataclasses import dataclass

from prospecting.calc.language import phrase, phrase_counted
from trials.frames.effects_by_factor import ByFactor, factorial_of
from trials.frames.effects_by_panner import ByPanner, by_panner
from trials.frames.effects_per_hour import PerHour, per_hour_of
from trials.frames.trial_lines import RunLine, TrialLines
from trials.models import Trial


@dataclass(frozen=True)
class TrialEffects:
    """All that the page shows; a part that has nothing to say for this trial is None."""

    cautions: list[str]
    factors: ByFactor | None
    hour: PerHour | None
    panners: ByPanner | None
    left_out: list[RunLine]
    counted: list[RunLine]

    @property
    def says_nothing(self) -> bool:
        return not (self.factors or self.hour or self.panners)


def effects_of(trial: Trial, grade_unit: str) -> TrialEffects:
    """Read a closed trial by its factors, by the hour and by its panners; grades in this unit."""
    lines = TrialLines(trial)
    factorial = factorial_of(lines, grade_unit)
    return TrialEffects(
        cautions=_cautions(lines),
        factors=factorial.read() if factorial else None,
        hour=per_hour_of(lines, factorial if factorial and len(factorial.factors) > 1 else None),
        panners=by_panner(lines),
        left_out=[line for line in lines.lines if not line.counts],
        counted=lines.counted,
    )


def _cautions(lines: TrialLines) -> list[str]:
    """What weakens all of the page, in short; the verdict's page has it at length."""
    trial, found = lines.trial, []
    if trial.wishful_reason:
        found.append(
            phrase("The trial was planned although the planning page said that it can't answer its question.")
        )
    if trial.typed_in_afterwards:
        found.append(
            phrase(
                "Plan and runs were typed in afterwards: nothing on record shows that they were drawn by lot or panned blind."
            )
        )
    if trial.close_reason:
        found.append(
            phrase(
                "The trial was ended before its plan was done, so what looks good may be luck caught at its height."
            )
        )
    seeing = sum(1 for line in lines.counted if not line.is_blind)
    if seeing:
        found.append(
            phrase(
                "{number} of {runs} runs were panned by someone who had seen the key: wishes may have had a hand in it.",
                number=seeing,
                runs=len(lines.counted),
            )
        )
    out = sum(1 for line in lines.lines if line.run and not line.counts)
    if out:
        found.append(
            phrase_counted(
                "{number} run is left out, void or failed or without a result; each with its reason below.",
                "{number} runs are left out, void or failed or without a result; each with its reason below.",
                out,
            )
        )
    return found
