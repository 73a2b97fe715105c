rule page_parts:
    input:
        passes="work/passes/{batch}/listed.json",
        offsets="work/offsets/{batch}/listed.json",
        odds="work/odds/{batch}/listed.json",
        bands="work/bands/{batch}/listed.json",
        tiers="work/settings/tiers.json",
        units="work/settings/units.json",
        versions="work/settings/versions.json",
        code=code_of("page_parts"),
    output:
        "work/page_parts/{batch}/listed.json",
    log:
        "work/log/page_parts/{batch}.log",
    resources:
        mem_mb=asked("page_parts", "mem_mb"),
        runtime=asked("page_parts", "runtime"),
    message:
        "Making the page's part of the fields of batch {wildcards.batch}"
    script:
        "../steps/page_parts.py"
