# What only tests want of the emulated boards: budgets, the counter that is made longer, and images of other flags.
.PHONY: budget
budget: ## flash, RAM and stack of the images, and their limits
	$(PYTHON) ../../tests/device/budget.py

$(BUILD)/extend.so: ports/mps2/extend.c ports/mps2/extend.h | $(BUILD) ## the clock's arithmetic, for ctypes
	gcc $(CSTD) $(WARNINGS) -O2 -shared -fPIC -o $@ $<

# The same stream by another optimiser and for another core.
$(eval $(call mps2_image,mps2-an385-stream-fast,mps2-an385,$(MPS2_M3) -O2 $(MPS2_FIXED),$(MPS2_STREAM_SOURCE)))
$(eval $(call mps2_image,mps2-an386-stream,mps2-an386,$(MPS2_M4) -Os $(MPS2_FIXED),$(MPS2_STREAM_SOURCE)))

# A line that 10 000 samples a second are too much for.
$(eval $(call mps2_image,mps2-an385-slow-line,mps2-an385,$(MPS2_M3) -Os -DNT_LINE_BAUD=115200u))
