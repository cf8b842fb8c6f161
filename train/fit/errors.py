"""What keeps a training run from beginning or going on."""

from __future__ import annotations

from crownlet.datasets.files.errors import CrownletError


class TrainingError(CrownletError, ValueError):
    """A run that cannot begin, or cannot go on; the message is one sentence with the reason."""
