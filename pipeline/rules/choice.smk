rule choice:
    input:
        odds=of_batches("work/odds/{batch}/listed.json"),
        settings=after_intake("work/settings/choice.json"),
        batches=after_intake("work/settings/batches.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("choice"),
    output:
        choice="results/choice.csv",
        parts="results/choice_parts.csv",
        sensitivity="results/choice_sensitivity.csv",
    log:
        "work/log/choice.log",
    resources:
        mem_mb=asked("choice", "mem_mb"),
        runtime=asked("choice", "runtime"),
    message:
        "Choosing a tier for every farm"
    script:
        "../steps/choice.py"
