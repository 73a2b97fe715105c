rule overlap:
    input:
        passes="work/passes/{batch}",
        offsets="work/offsets/{batch}",
        tiers="work/settings/tiers.json",
        raster="work/settings/raster.json",
        code=code_of("overlap"),
    output:
        "work/overlap/{batch}.parquet",
    log:
        "work/log/overlap/{batch}.log",
    message:
        "Counting rows and strip bands in cells in batch {wildcards.batch}"
    script:
        "../steps/overlap.py"
