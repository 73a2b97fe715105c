rule passes:
    message:
        "Laying out the rows and strips of batch {wildcards.batch}"
    input:
        key="work/intake/{batch}/key.json",
        settings="work/settings/geometry.json",
        code=code_of("steps/passes", "core/passes", "core/planter", "core/order", "core/frames", "core/local"),
    output:
        directory("work/passes/{batch}"),
    log:
        "work/log/passes/{batch}.log",
    script:
        "../steps/passes.py"
