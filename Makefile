# Thin: the work is in scripts/, which needs no make.
.PHONY: demo test

demo:
	@scripts/demo

test:
	@scripts/test
