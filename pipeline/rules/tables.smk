rule tables:
    input:
        figures=of_batches("work/figures/{batch}/listed.json"),
        batches=after_intake("work/settings/batches.json"),
        versions=after_intake("work/settings/versions.json"),
        code=code_of("tables"),
    output:
        fields="results/field_tier.csv",
        rows="results/row_tier.csv",
        passes="results/pass_tier.csv",
        waiting="results/waiting.csv",
        shift="results/shift.csv",
        audit="results/audit.csv",
    log:
        "work/log/tables.log",
    resources:
        mem_mb=asked("tables", "mem_mb"),
        runtime=asked("tables", "runtime"),
    message:
        "Putting the tables of all batches together"
    script:
        "../steps/tables.py"
