rule look:
    log:
        "work/log/look.log",
    params:
        config=config,
        source=CONFIG_FILE,
    message:
        "Looking at the configuration and the files; nothing is computed"
    script:
        "../steps/look.py"
