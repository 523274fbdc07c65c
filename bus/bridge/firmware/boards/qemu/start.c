/* Start-up: memory as C wants it, then main. What is not expected stops the board, and its watchdog, which this board
 * lacks, would begin anew. */
#include <stdint.h>

extern uint32_t _data, _data_end, _data_from, _bss, _bss_end, _stack;
int main(void);
void start(void);

static void hang(void) {
  for (;;) {
  }
}

void start(void) {
  uint32_t *from = &_data_from;
  for (uint32_t *to = &_data; to < &_data_end;) *to++ = *from++;
  for (uint32_t *to = &_bss; to < &_bss_end;) *to++ = 0;
  main();
  hang();
}

static const struct {
  uint32_t *stack;
  void (*handlers[15])(void);
} vectors __attribute__((section(".vectors"), used)) = {
    &_stack, {start, hang, hang, hang, hang, hang, 0, 0, 0, 0, hang, hang, 0, hang, hang}};
