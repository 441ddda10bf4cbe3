"""Levels to pins. A pin is anything with `value(0 or 1)`, such as a board's own. Board-safe."""


class Output:
    """A pin, or what stands for one: `value(1)` raises its level, `value(0)` lowers it."""

    def value(self, level: int) -> None:
        raise OSError("no such output")


class Pins:
    """Drives named pins. `inverted`: names of the contacts whose pin is low when they are closed.

    Wire them so that a pin without power leaves the contact open, also while the board starts.
    """

    def __init__(self, outputs: dict[str, Output], inverted: tuple[str, ...] = ()) -> None:
        self._outputs = outputs
        self._inverted = inverted
        self.names = sorted(outputs)
        self.open_all()

    def set(self, name: str, closed: bool) -> None:
        """Close or open a contact; one that is not wired is passed over."""
        output = self._outputs.get(name)
        if output is not None:
            output.value(1 if closed != (name in self._inverted) else 0)

    def open_all(self) -> None:
        """Open every contact. Raises the first error, after trying all."""
        failed = None
        for name in self.names:
            try:
                self.set(name, False)
            except OSError as error:
                failed = error
        if failed is not None:
            raise failed
