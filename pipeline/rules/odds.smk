rule odds:
    input:
        passes="work/passes/{batch}/listed.json",
        offsets="work/offsets/{batch}/listed.json",
        tiers="work/settings/tiers.json",
        losses="work/settings/losses.json",
        versions="work/settings/versions.json",
        code=code_of("odds"),
    output:
        "work/odds/{batch}/listed.json",
    log:
        "work/log/odds/{batch}.log",
    # The sheets wait for this, and take longest.
    priority: 1
    resources:
        mem_mb=asked("odds", "mem_mb"),
        runtime=asked("odds", "runtime"),
    message:
        "Judging all tiers in batch {wildcards.batch}"
    script:
        "../steps/odds.py"
