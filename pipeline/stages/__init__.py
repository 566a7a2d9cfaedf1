"""One file and one function a stage, found by its name; a stage never imports a stage."""
