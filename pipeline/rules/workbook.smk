rule workbook:
    input:
        tables=result_tables,
        report=after_intake("work/settings/report.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("workbook"),
    output:
        "results/rowreturn.xlsx",
    log:
        "work/log/workbook.log",
    resources:
        mem_mb=asked("workbook", "mem_mb"),
        runtime=asked("workbook", "runtime"),
    message:
        "Putting the tables into a workbook"
    script:
        "../steps/workbook.py"
