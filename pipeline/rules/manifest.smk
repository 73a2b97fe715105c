rule manifest:
    input:
        intake=after_intake("work/intake.json"),
        config=after_intake("work/config.json"),
        tiers=after_intake("work/settings/tiers.json"),
        tables=[
            "results/field_tier.csv",
            "results/row_tier.csv",
            "results/pass_tier.csv",
            "results/waiting.csv",
            "results/shift.csv",
            "results/audit.csv",
            "results/choice.csv",
            "results/choice_parts.csv",
            "results/choice_sensitivity.csv",
        ],
        layers=[
            "results/rowreturn.gpkg",
            "results/shifted_lines.gpkg",
            "results/rejects.csv",
        ],
        described=["results/datapackage.json", "results/rowreturn.xlsx"],
        page="results/report.html",
        pages="work/report.json",
        rasters=of_batches("work/overlap/{batch}.parquet"),
        sheets=of_batches("work/sheets/{batch}.json"),
        lost=lost_of_all_batches,
        versions=after_intake("work/settings/versions.json"),
        code=code_of_steps(),
    output:
        "results/manifest.json",
    log:
        "work/log/manifest.log",
    resources:
        mem_mb=asked("manifest", "mem_mb"),
        runtime=asked("manifest", "runtime"),
    message:
        "Writing down what was read, kept and rejected, and with what versions"
    script:
        "../steps/manifest.py"
