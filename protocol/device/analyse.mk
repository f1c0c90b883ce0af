# The static checks of everything in this folder: `make analyse`, or one of them.
ANALYSE_INCLUDES := -Icore -Iports/plant -Iports/native -Idrivers
ANALYSE_DEFINES := -D_GNU_SOURCE '-DNT_NATIVE_BUILD="analysed"'
ANALYSE_FLAGS := $(CSTD) $(WARNINGS) $(ANALYSE_INCLUDES) $(ANALYSE_DEFINES)
HOSTED_SOURCES := $(CORE_SOURCES) $(wildcard ports/plant/*.c ports/native/*.c drivers/*.c bench/*.c)
BARE_SOURCES := $(CORE_SOURCES) $(wildcard ports/plant/*.c ports/mps2/*.c drivers/*.c)
BARE_FLAGS := -mcpu=cortex-m3 -mthumb $(CSTD) $(WARNINGS) -ffreestanding -fbuiltin -Icore -Iports/plant -Iports/mps2 \
	-Idrivers '-DNT_MACHINE="analysed"'
# Where the cross compiler has its C library, for clang, which has none for this processor.
BARE_INCLUDES = $(shell echo | arm-none-eabi-gcc -E -Wp,-v - 2>&1 | sed -n 's,^ \(/.*\),-isystem \1,p')
# The sheets are written by sheet.py and nt_messages.h by protocol/generate.py, each in its own layout.
FORMATTED := $(filter-out core/nt_messages.h %_sheet.h,$(wildcard core/*.[ch] ports/*/*.[ch] drivers/*.[ch] bench/*.c))

CPPCHECKED := core ports drivers bench

define compiled # compiler, flags, sources
	@for source in $(3); do $(1) $(2) -c $$source -o /dev/null || exit 1; done
endef

ANALYSES := analyse-gcc analyse-clang analyse-arm analyse-fanalyzer analyse-cppcheck analyse-tidy analyse-tidy-arm \
	analyse-format
.PHONY: analyse $(ANALYSES)
analyse: $(ANALYSES) ## all static checks

analyse-gcc: ## warnings of gcc, plain and optimised
	$(call compiled,gcc,$(ANALYSE_FLAGS) -O0,$(HOSTED_SOURCES))
	$(call compiled,gcc,$(ANALYSE_FLAGS) -O2,$(HOSTED_SOURCES))

analyse-clang: ## warnings of clang, plain and optimised
	$(call compiled,clang,$(ANALYSE_FLAGS) -O0,$(HOSTED_SOURCES))
	$(call compiled,clang,$(ANALYSE_FLAGS) -O2,$(HOSTED_SOURCES))

analyse-arm: ## warnings of the cross compiler, where integers and pointers have 32 bits
	$(call compiled,arm-none-eabi-gcc,$(BARE_FLAGS) -Os,$(BARE_SOURCES))

analyse-fanalyzer: ## the static analyser of gcc
	$(call compiled,gcc,$(ANALYSE_FLAGS) -O1 -fanalyzer,$(HOSTED_SOURCES))

analyse-cppcheck: ## cppcheck
	cppcheck --quiet --std=c99 --enable=warning,style,performance,portability --error-exitcode=1 \
	    --inline-suppr $(ANALYSE_INCLUDES) -Iports/mps2 $(CPPCHECKED)

analyse-tidy: ## clang-tidy with .clang-tidy
	printf '%s\n' $(HOSTED_SOURCES) | xargs -P 2 -I{} clang-tidy --quiet {} -- $(CSTD) $(ANALYSE_INCLUDES) \
	    $(ANALYSE_DEFINES)

analyse-tidy-arm: ## the same for what runs on the bare processor only
	clang-tidy --quiet $(wildcard ports/mps2/*.c) -- --target=arm-none-eabi $(BARE_FLAGS) $(BARE_INCLUDES)

analyse-format: ## clang-format with .clang-format
	clang-format --dry-run -Werror $(FORMATTED)
