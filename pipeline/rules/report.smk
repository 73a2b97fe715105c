rule report:
    input:
        parts=of_batches("work/page_parts/{batch}/listed.json"),
        sheets=of_batches("work/sheets/{batch}.json"),
        choice=choice_table,
        notes=after_intake("work/settings/notes.json"),
        rejects=after_intake("work/rejects.parquet"),
        tiers=after_intake("work/settings/tiers.json"),
        report=after_intake("work/settings/report.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("report"),
    output:
        page="results/report.html",
        pages="work/report.json",
    log:
        "work/log/report.log",
    resources:
        mem_mb=asked("report", "mem_mb"),
        runtime=asked("report", "runtime"),
    message:
        "Writing the report"
    script:
        "../steps/report.py"


use rule report as lost_page with:
    input:
        parts=of_batches("work/page_parts/{batch}/listed.json"),
        sheets=of_batches("work/sheets/{batch}.json"),
        choice=choice_table,
        notes=after_intake("work/settings/notes.json"),
        rejects=after_intake("work/rejects.parquet"),
        tiers=after_intake("work/settings/tiers.json"),
        report=after_intake("work/settings/report.json"),
        pages="work/report.json",
        versions=after_intake("work/settings/versions.json"),
        code=code_of("report"),
    output:
        "results/report/{page}.html",
    log:
        "work/log/report/lost/{page}.log",
    message:
        "Writing page {wildcards.page} of the report again, which is gone"
