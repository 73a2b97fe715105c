from pipeline.files.code import modules_of
from pipeline.files.file_parts import parts_of
from pipeline.files.input_key import input_key
from pipeline.files.lost import lost_files
from pipeline.files.provenance import steps_signed_for
from pipeline.files.store import read_json


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
    layers = SETTINGS.inputs.model_dump(exclude_none=True).values()
    files = sorted({layer["file"] for layer in layers if layer.get("file")})
    # A missing file is left to the intake, whose error says which layer asks for it.
    return [part for name in files for part in parts_of(name)]


def tier_catalogue():
    """The catalogue of tiers that the configuration names."""
    return str(catalogue_path(SETTINGS, project_root=PROJECT, working_dir=Path.cwd()))


def input_note(wildcards):
    """Named by the content of the input: a file that was only touched is no other input."""
    return f"work/inputs/{input_key(config, [*input_files(), tier_catalogue()])}.json"


def batches():
    """Names of the batches that have fields, and the fields of each; known once the intake has run."""
    return read_json(Path(str(checkpoints.intake.get().output[0])))["batches"]


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
        homes = {name: batch for batch, names in batches().items() for name in names}
        return pattern.format(batch=homes[wildcards.field])

    return paths


def lost_of_all_batches(wildcards):
    """Rasters and sheets that were made and are gone."""
    return lost_files(batches(), work=Path("work"), results=Path("results"))
