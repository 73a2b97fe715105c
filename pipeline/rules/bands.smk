rule bands:
    input:
        passes="work/passes/{batch}",
        offsets="work/offsets/{batch}",
        tiers="work/settings/tiers.json",
        crs="work/settings/crs.json",
        code=code_of("bands"),
    output:
        directory("work/bands/{batch}"),
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
