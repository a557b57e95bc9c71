"""What a study found is kept one way: as JSON where ``--out`` says."""

import json
from pathlib import Path

__all__ = ["keep"]


def keep(out: Path | None, found: object) -> None:
    """Write what was found to ``out``, whose folder is made; without it nothing is kept."""
    if out is not None:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
