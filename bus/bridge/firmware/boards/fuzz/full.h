/* The core keeps room on the link for what it has to say: where there is none, that is told. */
void link_was_full(void);
#define LINK_FULL link_was_full
