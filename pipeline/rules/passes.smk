rule passes:
    input:
        key="work/intake/{batch}/key.json",
        settings="work/settings/geometry.json",
        versions="work/settings/versions.json",
        code=code_of("passes"),
    output:
        "work/passes/{batch}/listed.json",
    log:
        "work/log/passes/{batch}.log",
    resources:
        mem_mb=asked("passes", "mem_mb"),
        runtime=asked("passes", "runtime"),
    message:
        "Laying out the rows and strips of batch {wildcards.batch}"
    script:
        "../steps/passes.py"
