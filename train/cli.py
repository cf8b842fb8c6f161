"""`crownlet-train`: train, export and evaluate from one Hydra configuration."""

from __future__ import annotations

from pathlib import Path

import hydra
from omegaconf import DictConfig


@hydra.main(version_base="1.3", config_path="pkg://crownlet.configs", config_name="train")
def main(config: DictConfig) -> None:
    """Do the configured job and say where its outcome is."""
    # Each job imports what it needs: rendering should not wait for Lightning.
    if config.job == "fit":
        from crownlet.train.fit.fit import fit

        print(f"weights: {fit(config)}")
    elif config.job == "render":
        from crownlet.train.fit.fit import render_pool

        render_pool(config)
    elif config.job == "export":
        from crownlet.train.export.hand import add_letter_means
        from crownlet.train.export.onnx import export_networks

        folder = export_networks(config)
        add_letter_means(folder)
        print(f"models: {folder}")
    elif config.job == "integers":
        from crownlet.train.export.quantise import quantise_in_place

        own = config.integers
        for name, value in quantise_in_place(Path(own.model), own.pages, own.held_out).items():
            print(f"{name:<28}{value:.5g}")
    elif config.job == "evaluate":
        from crownlet.train.evaluation.evaluate import evaluate

        print(f"card: {evaluate(config)}")
    elif config.job == "promise":
        from crownlet.train.risk_control.gather import control_risk

        print(f"promise: {control_risk(config)}")
    elif config.job == "reference":
        from crownlet.train.calibration.drift_reference import make_reference

        print(f"reference: {make_reference(config)}")
    elif config.job == "gate":
        from crownlet.train.release.job import run_gate

        print(f"outcome: {run_gate(config)}")
    elif config.job == "new_hand":
        from crownlet.train.experiments.new_hand import run_experiment

        print(f"experiment: {run_experiment(config)}")
    elif config.job in ("promote", "restore"):
        from crownlet.datasets.files.locks import FolderBusyError
        from crownlet.train.release import promote

        try:
            print(f"in use: {getattr(promote, config.job)(config)}")
        except (promote.PromotionRefused, FolderBusyError) as error:
            # The message goes to stderr, and the exit code is 1.
            raise SystemExit(str(error)) from None
    elif config.job == "proof":
        from crownlet.train.realism.pictures import draw_proof

        print(f"page: {draw_proof(config)}")
    elif config.job == "critic":
        from crownlet.train.realism.report import measure_realism

        print(f"findings: {measure_realism(config)}")
    else:
        jobs = (
            "fit, render, export, integers, promise, reference, evaluate, gate, promote, restore,"
            " new_hand, proof or critic"
        )
        raise SystemExit(f"no job is called {config.job!r}: {jobs}")


if __name__ == "__main__":
    main()
