rule offsets:
    input:
        passes="work/passes/{batch}/listed.json",
        versions="work/settings/versions.json",
        code=code_of("offsets"),
    output:
        "work/offsets/{batch}/listed.json",
    log:
        "work/log/offsets/{batch}.log",
    resources:
        mem_mb=asked("offsets", "mem_mb"),
        runtime=asked("offsets", "runtime"),
    message:
        "Measuring every planted row against its strips in batch {wildcards.batch}"
    script:
        "../steps/offsets.py"
