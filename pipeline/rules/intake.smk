rule inputs:
    input:
        files=[ancient(name) for name in input_files()],
        catalogue=ancient(tier_catalogue()),
    output:
        "work/inputs/{content}.json",
    log:
        "work/log/inputs/{content}.log",
    localrule: True
    message:
        "Noting that the input, the configuration or a library is another one"
    script:
        "../steps/inputs.py"


checkpoint intake:
    input:
        note=input_note,
        code=code_of("intake"),
    output:
        "work/intake.json",
    log:
        "work/log/intake.log",
    resources:
        mem_mb=asked("intake", "mem_mb"),
        runtime=asked("intake", "runtime"),
    message:
        "Reading, checking and splitting the input into batches of fields"
    script:
        "../steps/intake.py"
