# Bare metal, for the emulated boards mps2-an385 (Cortex-M3) and mps2-an386 (Cortex-M4).
MPS2_CC ?= arm-none-eabi-gcc
MPS2_OBJCOPY ?= arm-none-eabi-objcopy
MPS2_PYTHON ?= python3
MPS2_OPTIONS ?= # your own, such as -DNT_LINE_BAUD=115200u
MPS2_STREAM_SOURCE := ports/mps2/fixed_stream.c
MPS2_SOURCES := $(CORE_SOURCES) $(wildcard ports/plant/*.c) $(filter-out $(MPS2_STREAM_SOURCE),$(wildcard ports/mps2/*.c))
# Freestanding, yet fabsf and memcpy are what they are elsewhere: -fbuiltin.
MPS2_FLAGS := $(CORE_FLAGS) -Iports/plant -Iports/mps2 -g -mthumb -ffreestanding -fbuiltin -ffunction-sections \
	-fdata-sections -fstack-usage -fcallgraph-info=su -ffile-prefix-map=$(CURDIR)=. -MMD -MP
MPS2_LINK := --specs=nano.specs --specs=nosys.specs -nostartfiles -Wl,--gc-sections -Wl,--fatal-warnings \
	-Tports/mps2/memory.ld

# An image of its own: name, machine, flags, further sources. Objects are made anew when the flags change.
define mps2_image
$(1)_FLAGS := $(MPS2_FLAGS) -DNT_MACHINE='"$(2)"' $(3) $(MPS2_OPTIONS)
$(1)_OBJECTS := $(patsubst %.c,$(BUILD)/$(1)/%.o,$(MPS2_SOURCES) $(4))

$(BUILD)/$(1)/flags: FORCE
	@mkdir -p $$(@D)
	@echo '$$(MPS2_CC) $$($(1)_FLAGS)' | cmp -s - $$@ || echo '$$(MPS2_CC) $$($(1)_FLAGS)' > $$@

$(BUILD)/$(1)/%.o: %.c $(BUILD)/$(1)/flags
	@mkdir -p $$(@D)
	$$(MPS2_CC) $$($(1)_FLAGS) -c $$< -o $$@

$(BUILD)/$(1).elf: $$($(1)_OBJECTS) ports/mps2/memory.ld ports/mps2/stamp.py
	$$(MPS2_CC) $$($(1)_FLAGS) $(MPS2_LINK) -Wl,-Map=$(BUILD)/$(1)/map $$($(1)_OBJECTS) -o $(BUILD)/$(1)/unstamped
	$(MPS2_OBJCOPY) -O binary --remove-section=.stamp $(BUILD)/$(1)/unstamped $(BUILD)/$(1)/image
	$(MPS2_PYTHON) ports/mps2/stamp.py $(BUILD)/$(1)/image $(BUILD)/$(1)/stamp
	$(MPS2_OBJCOPY) --update-section=.stamp=$(BUILD)/$(1)/stamp $(BUILD)/$(1)/unstamped $$@

-include $$($(1)_OBJECTS:.o=.d)
endef

.PHONY: FORCE
FORCE:

MPS2_M3 := -mcpu=cortex-m3
MPS2_M4 := -mcpu=cortex-m4 -mfloat-abi=soft # a few comparisons a second are not worth longer interrupt frames
$(eval $(call mps2_image,mps2-an385,mps2-an385,$(MPS2_M3) -Os))
$(eval $(call mps2_image,mps2-an386,mps2-an386,$(MPS2_M4) -Os))
# Test only: streams by itself, the same bytes every time.
MPS2_FIXED := -DNT_FIXED_STREAM
$(eval $(call mps2_image,mps2-an385-stream,mps2-an385,$(MPS2_M3) -Os $(MPS2_FIXED),$(MPS2_STREAM_SOURCE)))

.PHONY: mps2
mps2: $(BUILD)/mps2-an385.elf $(BUILD)/mps2-an386.elf ## images for qemu-system-arm
	arm-none-eabi-size $^
