"""The overlap raster, by an independent validator of cloud-optimised GeoTIFFs and by GDAL's own tool."""

import shutil
import subprocess

import pytest
from rio_cogeo.cogeo import cog_validate
from workflow import config, passes_of, run_steps, write_coop


@pytest.fixture(scope="module")
def rasters(tmp_path_factory):
    """The rasters of a small run; cells fine enough for more than one block."""
    folder = tmp_path_factory.mktemp("run")
    write_coop(folder, rows=passes_of(shift_m=0.05))
    run_steps(config(folder), folder)
    return sorted((folder / "results" / "fields").glob("*/overlap.tif"))


def test_rasters_are_cloud_optimised(rasters):
    """By rio-cogeo, in its strict way: warnings count as errors."""
    assert len(rasters) == 2
    for path in rasters:
        valid, errors, warnings = cog_validate(path, strict=True)
        assert (valid, errors, warnings) == (True, [], [])


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="GDAL's own tools (Debian's gdal-bin) are not installed")
def test_gdals_own_tool_reads_them(rasters):
    for path in rasters:
        done = subprocess.run(["gdalinfo", path], capture_output=True, text=True, check=True)
        assert "LAYOUT=COG" in done.stdout and done.stderr == ""
