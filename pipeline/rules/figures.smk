rule figures:
    input:
        odds="work/odds/{batch}/listed.json",
        overlap="work/overlap/{batch}.parquet",
        versions="work/settings/versions.json",
        code=code_of("figures"),
    output:
        "work/figures/{batch}/listed.json",
    log:
        "work/log/figures/{batch}.log",
    resources:
        mem_mb=asked("figures", "mem_mb"),
        runtime=asked("figures", "runtime"),
    message:
        "Adding up rows, passes and fields of batch {wildcards.batch}"
    script:
        "../steps/figures.py"
