rule sheets:
    input:
        passes="work/passes/{batch}",
        offsets="work/offsets/{batch}",
        odds="work/odds/{batch}",
        tiers="work/settings/tiers.json",
        report="work/settings/report.json",
        code=code_of("sheets"),
    output:
        "work/sheets/{batch}.json",
    log:
        "work/log/sheets/{batch}.log",
    message:
        "Drawing the field sheets of batch {wildcards.batch}"
    script:
        "../steps/sheets.py"


sheets_of_all_batches = of_batches("work/sheets/{batch}.json")
