rule tables:
    input:
        odds=of_batches("work/odds/{batch}/listed.json"),
        overlap=of_batches("work/overlap/{batch}.parquet"),
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
        "Adding up rows, passes and fields"
    script:
        "../steps/tables.py"
