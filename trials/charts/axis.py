"""Where what belongs to an axis at the foot of a picture stands."""


class FootAxis:
    """Of a chart whose plot ends at `bottom`: its axis' marks, figures and caption below it."""

    bottom: float

    @property
    def mark_y(self) -> float:
        return round(self.bottom + 4, 1)

    @property
    def tick_y(self) -> float:
        return round(self.bottom + 17, 1)

    @property
    def caption_y(self) -> float:
        return round(self.bottom + 36, 1)
