rule sheets:
    input:
        passes="work/passes/{batch}/listed.json",
        bands="work/bands/{batch}/listed.json",
        odds="work/odds/{batch}/listed.json",
        tiers="work/settings/tiers.json",
        report="work/settings/report.json",
        versions="work/settings/versions.json",
        code=code_of("sheets"),
    output:
        "work/sheets/{batch}.json",
    log:
        "work/log/sheets/{batch}.log",
    resources:
        mem_mb=asked("sheets", "mem_mb"),
        runtime=asked("sheets", "runtime"),
    message:
        "Drawing the field sheets of batch {wildcards.batch}"
    script:
        "../steps/sheets.py"


use rule sheets as lost_sheet with:
    input:
        passes=of_field("work/passes/{batch}/listed.json"),
        bands=of_field("work/bands/{batch}/listed.json"),
        odds=of_field("work/odds/{batch}/listed.json"),
        tiers="work/settings/tiers.json",
        report="work/settings/report.json",
        batch=of_field("work/sheets/{batch}.json"),
        versions="work/settings/versions.json",
        code=code_of("sheets"),
    output:
        multiext("results/fields/{field}/sheet", ".png", ".pdf"),
    log:
        "work/log/sheets/lost/{field}.log",
    message:
        "Drawing the sheet of field {wildcards.field} again, which is gone"


sheets_of_all_batches = of_batches("work/sheets/{batch}.json")
