rule offsets:
    message:
        "Measuring every planted row against its strips in batch {wildcards.batch}"
    input:
        passes="work/passes/{batch}",
        code=code_of("steps/offsets", "core/offsets", "core/segments", "core/cells"),
    output:
        directory("work/offsets/{batch}"),
    log:
        "work/log/offsets/{batch}.log",
    script:
        "../steps/offsets.py"
