# A library is put in place whole, for another run of the tests may have the old one open.
#
# The core behind a fake port, for the tests: as a library in several builds, and as targets of libFuzzer. The ring is
# small, so that going round it is the rule.
PYTHON ?= python3
PROOF := ../../tests/device
PROOF_RING := -DNT_RING_BYTES=8192u -DNT_RING_BLOCKS_MAX=64u
PROOF_FLAGS := $(CORE_FLAGS) $(PROOF_RING) -I$(PROOF)
HARNESS := $(PROOF)/harness.c $(PROOF)/harness_facts.c $(PROOF)/harness_promises.c
HARNESS_PARTS := $(HARNESS) $(BUILD)/message_glue.c $(CORE_SOURCES)
HARNESS_NEEDS := $(HARNESS_PARTS) $(CORE_HEADERS) $(PROOF)/harness.h $(PROOF)/harness.mk | $(BUILD)

$(BUILD)/message_glue.c: $(PROOF)/message_glue.py ../definition.toml | $(BUILD) ## C around each message codec, for the tests
	PYTHONPATH=.. $(PYTHON) $(PROOF)/message_glue.py $@

$(BUILD)/harness.so: $(HARNESS_NEEDS) ## the core for ctypes
	$(CC) $(PROOF_FLAGS) -O2 -shared -fPIC -o $@.new $(HARNESS_PARTS) -lm && mv $@.new $@

$(BUILD)/harness-sanitized.so: $(HARNESS_NEEDS) ## the same with ASan and UBSan
	$(CC) $(PROOF_FLAGS) $(SANITIZE) -shared -fPIC -o $@.new $(HARNESS_PARTS) -lm && mv $@.new $@

# Branches are counted without optimisation; the data files go beside the library.
$(BUILD)/coverage/harness.so: $(HARNESS_NEEDS) ## the same, counting branches
	rm -rf $(BUILD)/coverage && mkdir -p $(BUILD)/coverage
	for part in $(HARNESS_PARTS); do \
	    $(CC) $(PROOF_FLAGS) -O0 --coverage -fPIC -c $$part -o $(BUILD)/coverage/$$(basename $$part .c).o || exit 1; \
	done
	$(CC) --coverage -shared -o $@ $(BUILD)/coverage/*.o -lm

FUZZ_FLAGS := -g -O2 -fno-omit-frame-pointer -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=all
$(BUILD)/fuzz-%: $(PROOF)/fuzz_%.c $(PROOF)/fuzz.h $(HARNESS_NEEDS) ## libFuzzer: decoder, link, commands
	clang $(PROOF_FLAGS) $(FUZZ_FLAGS) -o $@ $< $(HARNESS_PARTS) -lm

# For a Cortex-M3, with what each function keeps on the stack and whom it calls beside each object.
$(BUILD)/core-cortex-m3/core.o: $(CORE_SOURCES) $(CORE_HEADERS) $(PROOF)/harness.mk | $(BUILD) ## the core alone, as one object
	rm -rf $(@D) && mkdir -p $(@D)
	for part in $(CORE_SOURCES); do \
	    arm-none-eabi-gcc $(CORE_FLAGS) -mcpu=cortex-m3 -mthumb -Os -fstack-usage -fcallgraph-info=su -c $$part \
	        -o $(@D)/$$(basename $$part .c).part.o || exit 1; \
	done
	arm-none-eabi-gcc -nostdlib -r -o $@ $(@D)/*.part.o
