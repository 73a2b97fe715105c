"""Rowreturn: from boundaries and strip lines to the rows that will stand on the strips, tier by tier."""

import os
import sys
from pathlib import Path

PROJECT = Path(workflow.basedir)
sys.path.insert(0, str(PROJECT))
# Steps run in processes of their own, from whatever folder the user works in.
os.environ["PYTHONPATH"] = os.pathsep.join(
    [str(PROJECT), *filter(None, [os.environ.get("PYTHONPATH")])]
)
# Jobs share the cores already; matrix products that took them all again would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from pipeline.errors import RowreturnError
from pipeline.files.config import catalogue_path, config_from_dict, resolve_tiers
from pipeline.files.disk import check_disk, run_ended_well, watch_disk
from pipeline.files.folder_lock import check_writable, lock_job, lock_run
from pipeline.files.log import QUIET, refusal
from pipeline.files.plain_yaml import read_yaml
from pipeline.files.responses import response_files
from pipeline.files.run_records import forget_unfinished

CONFIG_FILE = ", ".join(str(name) for name in workflow.configfiles) or "configuration"
# For messages of the intake; as a parameter of its rule it would make a folder that was moved another input.
os.environ.update(ROWRETURN_CONFIG=CONFIG_FILE)
QUIETED = {one.name for one in workflow.output_settings.quiet or ()}
if {"PROGRESS", "ALL"} & QUIETED:
    os.environ[QUIET] = "1"
try:
    for name in workflow.configfiles:
        # Snakemake has read it already, but lets the last of two equal keys win.
        if not str(name).endswith(".json"):
            read_yaml(Path(name))
    SETTINGS = config_from_dict(config, source=CONFIG_FILE)
    _, COMPARED = resolve_tiers(SETTINGS, project_root=PROJECT, working_dir=Path.cwd())
    check_writable(Path("."), Path("work"), Path("results"))
    check_disk(Path("."))
    if workflow.remote_exec:
        # A job that waited in a cluster's queue while its run was killed must not even prepare to run: to begin with,
        # Snakemake would take away what the next run has made by then.
        lock_job(Path("work"))
    else:
        forget_unfinished()
except RowreturnError as error:
    raise WorkflowError(refusal(error, mute="ALL" in QUIETED)) from None


include: "pipeline/rules/common.smk"
include: "pipeline/rules/intake.smk"
include: "pipeline/rules/passes.smk"
include: "pipeline/rules/offsets.smk"
include: "pipeline/rules/odds.smk"
include: "pipeline/rules/overlap.smk"
include: "pipeline/rules/bands.smk"
include: "pipeline/rules/figures.smk"
include: "pipeline/rules/tables.smk"
include: "pipeline/rules/choice.smk"
include: "pipeline/rules/layers.smk"
include: "pipeline/rules/datapackage.smk"
include: "pipeline/rules/workbook.smk"
include: "pipeline/rules/sheets.smk"
include: "pipeline/rules/page_parts.smk"
include: "pipeline/rules/report.smk"
include: "pipeline/rules/changes.smk"
include: "pipeline/rules/manifest.smk"
include: "pipeline/rules/look.smk"


rule all:
    default_target: True
    input:
        "results/field_tier.csv",
        "results/row_tier.csv",
        "results/pass_tier.csv",
        "results/waiting.csv",
        "results/shift.csv",
        "results/audit.csv",
        "results/choice.csv",
        "results/choice_parts.csv",
        "results/choice_sensitivity.csv",
        "results/rowreturn.gpkg",
        "results/shifted_lines.gpkg",
        "results/rejects.csv",
        "results/datapackage.json",
        "results/rowreturn.xlsx",
        "results/report.html",
        # Beside the results: these are the same for the same input, whatever the run before them was.
        "changes.csv",
        "changes.html",
        "results/manifest.json",
        # Asked for, because a missing input of what is there makes Snakemake run nothing once `.snakemake` is lost.
        input_note,
        sheets_of_all_batches,
        lost_of_all_batches,


onstart:
    watch_disk(Path("."))
    show_progress()
    unlimit_rate_of_jobs()
    try:
        if set(workflow.dag_settings.targets) != {"look"}:  # it only looks
            lock_run(Path("work"))
    except RowreturnError as error:
        raise WorkflowError(refusal(error, mute="ALL" in QUIETED)) from None


onsuccess:
    run_ended_well()
    from pipeline.files.change_text import change_text
    from pipeline.files.headline import headline
    from pipeline.files.last_run import tell

    looked_only = set(workflow.dag_settings.targets) == {"look"}
    if Path("results/field_tier.csv").exists() and not looked_only:
        said = change_text(Path("results"), work=Path("work"))
        if said:
            print(f"\n{said}")
            tell(Path("work/last"))
        print(headline(Path("results")))
