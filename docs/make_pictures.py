"""Make the pictures of the README from the demo: python docs/make_pictures.py."""

import shutil
import tempfile
from pathlib import Path

import trialkit as tk
from trialkit.cli.job import Job
from trialkit.cli.pictures import write_timelines
from trialkit.report.answer import draw_answer
from trialkit.report.material import Material
from trialkit.wording import read_wording

HERE = Path(__file__).parent / "pictures"


def main() -> None:
    """Run the demo once and keep four of its pictures."""
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as spare:
        folder = Path(spare) / "demo"
        shutil.copytree(tk.demo_folder(), folder)
        job = Job(folder)
        material = Material(
            trial=job.trial, result=job.result, verdict=job.verdict, say=read_wording("en"),
            data=job.data, logs=job.logs, plan=job.plan,
        )  # fmt: skip
        draw_answer(material).savefig(HERE / "answer.png", dpi=130, bbox_inches="tight")
        job.plan.map().savefig(HERE / "map.png", dpi=110, bbox_inches="tight")
        pictures = {p.name: p for p in write_timelines(folder / "pictures", job.data, job.logs)}
        shutil.copy(pictures["humidity_T3.png"], HERE / "humidity.png")


if __name__ == "__main__":
    main()
