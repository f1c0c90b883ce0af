# The drivers for a real board and the example that wires them: as libraries for ctypes, and for a Cortex-M3 by both
# compilers. Every warning that helps is on: this is the code that others copy.
DRIVERS_TESTS := ../../tests/device
DRIVERS := $(wildcard drivers/*.c)
DRIVERS_NEEDS := $(DRIVERS) $(wildcard drivers/*.h) $(CORE_SOURCES) $(CORE_HEADERS) $(DRIVERS_TESTS)/drivers_probe.c \
	$(DRIVERS_TESTS)/drivers.mk | $(BUILD)
DRIVERS_FLAGS := $(CORE_FLAGS) -Idrivers -pedantic -Wsign-conversion -Wcast-qual -Wcast-align -Wpointer-arith -Wundef \
	-Wstrict-prototypes -Wmissing-prototypes -Wswitch-enum -Wvla -Wformat=2
DRIVERS_PARTS := $(DRIVERS) $(CORE_SOURCES) $(DRIVERS_TESTS)/drivers_probe.c

$(BUILD)/drivers.so: $(DRIVERS_NEEDS) ## drivers and example board, for ctypes
	gcc $(DRIVERS_FLAGS) -O2 -shared -fPIC -o $@ $(DRIVERS_PARTS) -lm

$(BUILD)/drivers-clang.so: $(DRIVERS_NEEDS) ## the same by clang
	clang $(DRIVERS_FLAGS) -O2 -shared -fPIC -o $@ $(DRIVERS_PARTS) -lm

$(BUILD)/drivers-sanitized.so: $(DRIVERS_NEEDS) ## the same with ASan and UBSan
	gcc $(DRIVERS_FLAGS) $(SANITIZE) -fsanitize=bounds-strict -shared -fPIC -o $@ $(DRIVERS_PARTS) -lm

$(BUILD)/drivers-cortex-m3.o: $(DRIVERS_NEEDS) ## drivers, example and core as one object for a Cortex-M3
	arm-none-eabi-gcc $(DRIVERS_FLAGS) -mcpu=cortex-m3 -mthumb -Os -nostdlib -r -o $@ $(DRIVERS) $(CORE_SOURCES)
