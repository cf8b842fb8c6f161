"""`crownlet-train`: train, export and evaluate from one Hydra configuration."""

from __future__ import annotations

import os

import hydra
from omegaconf import DictConfig

from crownlet.datasets.files.errors import CrownletError


@hydra.main(version_base="1.3", config_path="pkg://crownlet.configs", config_name="train")
def main(config: DictConfig) -> None:
    """Do the configured job and say where its outcome is."""
    run_job(config)


def run_job(config: DictConfig) -> None:
    """Do one job of the group `job`; what cannot be done ends it with one sentence, exit code 1.

    With `HYDRA_FULL_ERROR=1` Python's own report of a wrong value is shown instead.
    """
    # Each job is imported when it is asked for: rendering should not wait for Lightning.
    job = hydra.utils.get_method(config.job.run)
    try:
        print(config.job.message.format(job(config)))
    except CrownletError as error:
        raise SystemExit(str(error)) from None
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        raise SystemExit(f"{where}{error.strerror or error}") from None
    except ValueError as error:
        if os.environ.get("HYDRA_FULL_ERROR"):
            raise
        raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
