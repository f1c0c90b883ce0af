# The device as a Linux process, and core and plant as a library in which tests look at the plant.
NATIVE_PLANT := $(wildcard ports/plant/*.c)
NATIVE_HEADERS := $(CORE_HEADERS) $(wildcard ports/plant/*.h ports/native/*.h)
NATIVE_SOURCES := $(CORE_SOURCES) $(NATIVE_PLANT) $(wildcard ports/native/*.c)
NATIVE_FLAGS := $(CORE_FLAGS) -Iports/plant -Iports/native -D_GNU_SOURCE
NATIVE_COMPILER := gcc $(shell gcc -dumpfullversion)

PLANT_GLUE := ../../tests/device/plant_glue.c
LIBRARY_SOURCES := $(CORE_SOURCES) $(NATIVE_PLANT) $(PLANT_GLUE)
LIBRARY_FLAGS := $(CORE_FLAGS) -Iports/plant -fPIC -shared

$(BUILD)/nightturn-native: $(NATIVE_SOURCES) $(NATIVE_HEADERS) | $(BUILD) ## the device as a Linux process
	gcc $(NATIVE_FLAGS) -g -O2 -DNT_NATIVE_BUILD='"native, $(NATIVE_COMPILER)"' -o $@ $(NATIVE_SOURCES) -lm

$(BUILD)/nightturn-native-asan: $(NATIVE_SOURCES) $(NATIVE_HEADERS) | $(BUILD) ## the same under ASan and UBSan
	gcc $(NATIVE_FLAGS) $(SANITIZE) -DNT_NATIVE_BUILD='"native asan, $(NATIVE_COMPILER)"' -o $@ $(NATIVE_SOURCES) -lm

$(BUILD)/libnightturn-device.so: $(LIBRARY_SOURCES) $(NATIVE_HEADERS) | $(BUILD) ## core and plant as a library
	gcc $(LIBRARY_FLAGS) -g -O2 -o $@ $(LIBRARY_SOURCES) -lm

$(BUILD)/libnightturn-device-asan.so: $(LIBRARY_SOURCES) $(NATIVE_HEADERS) | $(BUILD) ## the same under ASan and UBSan
	gcc $(LIBRARY_FLAGS) $(SANITIZE) -o $@ $(LIBRARY_SOURCES) -lm
