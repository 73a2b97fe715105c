rule datapackage:
    input:
        tables=result_tables,
        report=after_intake("work/settings/report.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("datapackage"),
    output:
        "results/datapackage.json",
    log:
        "work/log/datapackage.log",
    resources:
        mem_mb=asked("datapackage", "mem_mb"),
        runtime=asked("datapackage", "runtime"),
    message:
        "Describing the tables for machines"
    script:
        "../steps/datapackage.py"
