rule overlap:
    input:
        passes="work/passes/{batch}/listed.json",
        offsets="work/offsets/{batch}/listed.json",
        tiers="work/settings/tiers.json",
        raster="work/settings/raster.json",
        versions="work/settings/versions.json",
        code=code_of("overlap"),
    output:
        "work/overlap/{batch}.parquet",
    log:
        "work/log/overlap/{batch}.log",
    resources:
        mem_mb=asked("overlap", "mem_mb"),
        runtime=asked("overlap", "runtime"),
    message:
        "Counting rows and strip bands in cells in batch {wildcards.batch}"
    script:
        "../steps/overlap.py"


use rule overlap as lost_raster with:
    input:
        passes=of_field("work/passes/{batch}/listed.json"),
        offsets=of_field("work/offsets/{batch}/listed.json"),
        tiers="work/settings/tiers.json",
        raster="work/settings/raster.json",
        batch=of_field("work/overlap/{batch}.parquet"),
        versions="work/settings/versions.json",
        code=code_of("overlap"),
    output:
        "results/fields/{field}/overlap.tif",
    log:
        "work/log/overlap/lost/{field}.log",
    message:
        "Making the raster of field {wildcards.field} again, which is gone"
