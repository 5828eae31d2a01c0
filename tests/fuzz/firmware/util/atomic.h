#define ATOMIC_BLOCK(how) for (int once = 1; once; once = 0)
