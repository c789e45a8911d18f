/* Compiled by the tests once for each way in which a library takes more than its turn, with -DHOSTILE_... */
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

/* When the library is loaded, before anything is asked of it. */
__attribute__((constructor)) static void at_once(void)
{
#ifdef HOSTILE_HIDING /* a grandchild that nobody started, in a session of its own */
    if (fork() == 0) {
        setsid();
        if (fork() == 0) for (;;) sleep(60);
        _exit(0);
    }
    sleep(1);
#endif
#ifdef HOSTILE_BOMB /* both copies go on; 600 in all, which a machine survives if the test fails */
    int *count = mmap(NULL, sizeof *count, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    while (__atomic_add_fetch(count, 1, __ATOMIC_SEQ_CST) < 600) {
        if (fork() == 0) setsid();
    }
    sleep(60);
#endif
#ifdef HOSTILE_EXIT
    exit(0);
#endif
#ifdef HOSTILE_KILLER
    kill(getppid(), SIGKILL);
    sleep(60);
#endif
#ifdef HOSTILE_WAITING
    if (fork() == 0) setsid();
    for (;;) sleep(60);
#endif
#ifdef HOSTILE_GREEDY
    for (;;) if (!malloc(1 << 28)) abort();
#endif
}

#ifndef HOSTILE_EMPTY
int OfxGetNumberOfPlugins(void)
{
#ifdef HOSTILE_MANY
    return 0x7FFFFFFF;
#endif
    return 0;
}
void *OfxGetPlugin(int nth) { (void)nth; return NULL; }
#endif
