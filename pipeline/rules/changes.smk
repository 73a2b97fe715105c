rule changes:
    input:
        table="results/field_tier.csv",
        config=after_intake("work/config.json"),
        tiers=after_intake("work/settings/tiers.json"),
        losses=after_intake("work/settings/losses.json"),
        report=after_intake("work/settings/report.json"),
        batch_keys=of_batches("work/intake/{batch}/key.json"),
        batches=after_intake("work/settings/batches.json"),
        # Only a run that got this far is one to compare the next with.
        layers=["results/rowreturn.gpkg", "results/shifted_lines.gpkg"],
        described=["results/datapackage.json", "results/rowreturn.xlsx"],
        choice="results/choice.csv",
        page="results/report.html",
        rasters=of_batches("work/overlap/{batch}.parquet"),
        sheets=of_batches("work/sheets/{batch}.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("changes"),
    output:
        table="changes.csv",
        page="changes.html",
    log:
        "work/log/changes.log",
    resources:
        mem_mb=asked("changes", "mem_mb"),
        runtime=asked("changes", "runtime"),
    message:
        "Comparing with the last run"
    script:
        "../steps/changes.py"
