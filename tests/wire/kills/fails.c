/* Preloaded into a controller: writing and syncing of some files fails while a flag file exists.
 *
 * LINECTL_FAIL_FLAG  the flag file: "ERRNO w" fails what writes and cuts, "ERRNO s" what syncs
 * LINECTL_FAIL_MARK  what the failing files have in their path
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int fails(int fd, char what)
{
    const char *flag = getenv("LINECTL_FAIL_FLAG"), *mark = getenv("LINECTL_FAIL_MARK");
    char link[64], path[4096], said[32] = "", which = 'w';
    int kept = errno, number = 0, handle;
    ssize_t length;

    if (!flag || !mark || (handle = open(flag, O_RDONLY | O_CLOEXEC)) < 0) {
        errno = kept;
        return 0;
    }
    length = read(handle, said, sizeof said - 1);
    close(handle);
    if (length <= 0 || sscanf(said, "%d %c", &number, &which) < 1 || which != what) {
        errno = kept;
        return 0;
    }
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    length = readlink(link, path, sizeof path - 1);
    errno = kept;
    if (length <= 0)
        return 0;
    path[length] = 0;
    return strstr(path, mark) ? number : 0;
}

#define STAND_BETWEEN(type, name, what, parameters, arguments)                                     \
    type name parameters                                                                           \
    {                                                                                              \
        static type(*next) parameters;                                                             \
        int number = fails(fd, what);                                                              \
        if (number) {                                                                              \
            errno = number;                                                                        \
            return -1;                                                                             \
        }                                                                                          \
        if (!next)                                                                                 \
            next = (type(*) parameters)dlsym(RTLD_NEXT, #name);                                    \
        return next arguments;                                                                     \
    }

STAND_BETWEEN(ssize_t, write, 'w', (int fd, const void *data, size_t size), (fd, data, size))
STAND_BETWEEN(ssize_t, pwrite, 'w', (int fd, const void *data, size_t size, off_t at),
              (fd, data, size, at))
STAND_BETWEEN(ssize_t, pwrite64, 'w', (int fd, const void *data, size_t size, off64_t at),
              (fd, data, size, at))
STAND_BETWEEN(int, ftruncate, 'w', (int fd, off_t size), (fd, size))
STAND_BETWEEN(int, ftruncate64, 'w', (int fd, off64_t size), (fd, size))
STAND_BETWEEN(int, fsync, 's', (int fd), (fd))
STAND_BETWEEN(int, fdatasync, 's', (int fd), (fd))
