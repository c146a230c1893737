/* Start of a program on a bare Cortex-M4 under an emulator; files are those of the host. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

extern uint32_t data_start, data_end, data_load, bss_start, bss_end;
extern void initialise_monitor_handles(void);
extern int main(int argc, char **argv);
void reset(void);
void _fini(void);

#define STACK_END 0x20400000u
#define COPROCESSORS (*(volatile uint32_t *)0xE000ED88u)

/* What the C library calls at the end, and what its own start-up would bring. */
void _fini(void)
{
}

static void stop(void)
{
    abort();
}

void reset(void)
{
    static char name[] = "firmware";
    static char *arguments[] = { name, NULL };
    memcpy(&data_start, &data_load, (size_t)((char *)&data_end - (char *)&data_start));
    memset(&bss_start, 0, (size_t)((char *)&bss_end - (char *)&bss_start));
    COPROCESSORS |= 0xFu << 20; /* floating point of the C library */
    initialise_monitor_handles();
    exit(main(1, arguments));
}

struct table {
    uintptr_t stack;
    void (*handlers[6])(void);
};

__attribute__((section(".vectors"), used)) static const struct table table = {
    STACK_END, { reset, stop, stop, stop, stop, stop },
};
