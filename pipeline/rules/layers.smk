rule layers:
    input:
        bands=of_batches("work/bands/{batch}/listed.json"),
        passes=of_batches("work/passes/{batch}/listed.json"),
        summary="results/field_tier.csv",
        rejects=after_intake("work/rejects.parquet"),
        crs=after_intake("work/settings/crs.json"),
        batches=after_intake("work/settings/batches.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("layers"),
    output:
        layers="results/rowreturn.gpkg",
        lines="results/shifted_lines.gpkg",
        rejects="results/rejects.csv",
    log:
        "work/log/layers.log",
    resources:
        mem_mb=asked("layers", "mem_mb"),
        runtime=asked("layers", "runtime"),
    message:
        "Writing rowreturn.gpkg and the rejects"
    script:
        "../steps/layers.py"
