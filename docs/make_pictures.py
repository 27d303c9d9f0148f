"""Make the pictures of the README from the demo: python docs/make_pictures.py."""

import shutil
import tempfile
from pathlib import Path

import trialkit as tk
from trialkit.cli.timelines import write_timelines
from trialkit.pipeline import Pipeline
from trialkit.report.first_screen import draw_answer
from trialkit.report.inputs import PageInputs
from trialkit.wording import read_wording

HERE = Path(__file__).parent / "pictures"


def main() -> None:
    """Run the demo once and keep four of its pictures."""
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as spare:
        folder = Path(spare) / "demo"
        shutil.copytree(tk.demo_folder(), folder)
        steps = Pipeline(folder)
        inputs = PageInputs(
            trial=steps.trial, result=steps.result, verdict=steps.verdict, say=read_wording("en"),
            data=steps.data, logs=steps.logs, plan=steps.plan,
        )  # fmt: skip
        tables = tk.figures.trial_tables(steps.result, steps.verdict)
        whole = tk.figures.trial_in_one_picture(tables)
        whole.figure.savefig(HERE / "trial.png", dpi=110, facecolor="white")
        draw_answer(inputs).savefig(HERE / "answer.png", dpi=130, bbox_inches="tight")
        steps.plan.map().savefig(HERE / "map.png", dpi=110, bbox_inches="tight")
        pictures = {p.name: p for p in write_timelines(folder / "pictures", steps.data, steps.logs)}
        shutil.copy(pictures["humidity_T3.png"], HERE / "humidity.png")


if __name__ == "__main__":
    main()
