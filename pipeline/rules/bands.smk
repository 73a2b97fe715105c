rule bands:
    input:
        passes="work/passes/{batch}/listed.json",
        offsets="work/offsets/{batch}/listed.json",
        tiers="work/settings/tiers.json",
        crs="work/settings/crs.json",
        versions="work/settings/versions.json",
        code=code_of("bands"),
    output:
        "work/bands/{batch}/listed.json",
    log:
        "work/log/bands/{batch}.log",
    # The sheets wait for this, and take longest.
    priority: 1
    resources:
        mem_mb=asked("bands", "mem_mb"),
        runtime=asked("bands", "runtime"),
    message:
        "Drawing bands and row classes as lines and polygons in batch {wildcards.batch}"
    script:
        "../steps/bands.py"
