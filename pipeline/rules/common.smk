from pipeline.files.code import modules_of
from pipeline.files.file_parts import parts_of, size_mb
from pipeline.files.input_key import tell_key, told_key
from pipeline.files.intake_facts import home_of, known_batches, known_sizes
from pipeline.files.job_size import amounts_of, job_seconds, job_size
from pipeline.files.lost import lost_files
from pipeline.files.provenance import steps_signed_for
from pipeline.files.run_progress import RunJob, RunProgress


def code_of(step):
    """Source files that a step runs, as inputs: an edited module reruns what uses it."""
    return modules_of(PROJECT, f"pipeline.steps.{step}")


def code_of_steps():
    """The same of all steps whose code the manifest signs for: most of them may run and leave its other inputs as they were."""
    return sorted(
        {file for step in steps_signed_for(PROJECT) for file in code_of(step)}
    )


def input_files():
    """Input files of the configuration, with the files that belong to them."""
    # A missing file is left to the intake, whose error says which layer asks for it.
    return [part for name in SETTINGS.inputs.files for part in parts_of(name)]


def tier_catalogue():
    """The catalogue of tiers that the configuration names."""
    return str(catalogue_path(SETTINGS, project_root=PROJECT, working_dir=Path.cwd()))


def response_curves():
    """The file of response curves, where the configuration names one of them."""
    return response_files(SETTINGS.costs, project=PROJECT, working_dir=Path.cwd())


def input_note(wildcards):
    """Named by the content of the input: a file that was only touched is no other input."""
    files = [*input_files(), tier_catalogue(), *response_curves()]
    key = told_key(config, files) if workflow.remote_exec else tell_key(config, files)
    return f"work/inputs/{key}.json"


def batches():
    """Names of the batches that have fields, and the fields of each; known once the intake has run."""
    return known_batches(Path(str(checkpoints.intake.get().output[0])))


def after_intake(path):
    """An input function: a file that the intake writes only when its content has changed."""

    def paths(wildcards):
        checkpoints.intake.get()
        return path

    return paths


def of_batches(pattern):
    """An input function: `pattern` for every batch."""

    def paths(wildcards):
        return [pattern.format(batch=name) for name in sorted(batches())]

    return paths


def of_field(pattern):
    """An input function: `pattern` for the batch that the field is in."""

    def paths(wildcards):
        intake = checkpoints.intake.get().output[0]
        return pattern.format(batch=home_of(Path(str(intake)), wildcards.field))

    return paths


def choice_table(wildcards):
    """The tables of what tiers cost and of what the choice hangs on, and by what settings."""
    checkpoints.intake.get()
    tables = ["results/choice.csv", "results/choice_sensitivity.csv"]
    return [*tables, "work/settings/choice.json"]


def lost_of_all_batches(wildcards):
    """Rasters and sheets that were made and are gone."""
    return lost_files(batches(), work=Path("work"), results=Path("results"))


def asked(step, what):
    """A resource function: memory or run time for a job of this step, by the fields of its batch or of all batches."""

    def amount(wildcards, attempt):
        batch = wildcards.get("batch")
        if "field" in wildcards.keys():
            batch = home_of(Path("work/intake.json"), wildcards.field)
        return job_size(step, amounts(batch), attempt=attempt)[what]

    return amount


def amounts(batch):
    """What the jobs of a batch have to go through, or those of all batches."""
    sizes = known_sizes(Path("work/intake.json"))
    if batch is not None:
        sizes = {"own": sizes[batch]} if batch in sizes else {}
    said = amounts_of(sizes, tiers=len(COMPARED), cell_m=SETTINGS.raster.cell_m)
    return said | {"input_mb": size_mb(SETTINGS.inputs.files)}


def jobs_of_run():
    """What Snakemake has to do as far as it knows by now."""
    dag, sizes = workflow.dag, {}
    for job in dag.needrun_jobs(exclude_finished=False):
        batch = job.wildcards_dict.get("batch")
        if (
            batch not in sizes
        ):  # the jobs of a batch ask for the same, and each time for the size of all input files
            sizes[batch] = amounts(batch)
        seconds = job_seconds(job.rule.name, sizes[batch])
        yield RunJob(batch, seconds, dag.finished(job))


def unlimit_rate_of_jobs():
    """Take away Snakemake's limit to the rate of jobs on one machine, which its cores limit already.

    The limit looks at all that is ready once a second, and once more a second for each job that has ended: of 5,000 fields
    a quarter of the time of two cores went there, and ever more of it.
    """
    if workflow.local_exec:
        workflow.scheduler.job_rate_limiter = None


def show_progress():
    """Say now and then how far the run is, unless it is to be quiet."""

    def fields():
        return {name: len(some) for name, some in batches().items()}

    def say(line):
        print(f"rowreturn: {line}", file=sys.stderr, flush=True)

    if not os.environ.get(QUIET):
        logger.addHandler(RunProgress(jobs_of_run, fields, say))


def result_tables(wildcards):
    """Every table that some rule puts into the results, so that a new one is described and comes into the workbook by itself."""
    made = {str(file) for rule in workflow.rules for file in rule.output}
    return sorted(
        file for file in made if file.startswith("results/") and file.endswith(".csv")
    )
