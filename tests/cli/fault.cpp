// Preloaded into the program by test_faults.py: one call to the operating system fails.
//
// FAULT="CALL:N:ERROR" makes the N-th call of that name that touches FAULT_FOLDER fail with an errno,
// or write only half where ERROR is "short". FAULT_TOLD names a file that appears when it did.
#include <dlfcn.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <string>
#include <string_view>

namespace {

template <class Function>
Function* real(const char* name) {
  return reinterpret_cast<Function*>(::dlsym(RTLD_NEXT, name));
}

struct Plan {
  std::string call;
  int number = 0;
  int error = 0;  ///< 0: half is written
  std::string folder;
  std::string told;
};

const Plan& plan() {
  static const Plan made = [] {
    Plan p;
    const char* fault = std::getenv("FAULT");
    const char* folder = std::getenv("FAULT_FOLDER");
    const char* told = std::getenv("FAULT_TOLD");
    if (fault == nullptr || folder == nullptr || told == nullptr) return p;
    const std::string text = fault;
    const std::size_t first = text.find(':');
    const std::size_t second = text.find(':', first + 1);
    p.call = text.substr(0, first);
    p.number = std::atoi(text.c_str() + first + 1);
    p.error = text.substr(second + 1) == "short" ? 0 : std::atoi(text.c_str() + second + 1);
    p.folder = folder;
    p.told = told;
    return p;
  }();
  return made;
}

bool fails(std::string_view call, std::string_view path) {
  static std::atomic<int> count{0};
  const Plan& p = plan();
  if (p.call != call || !path.starts_with(p.folder)) return false;
  if (++count != p.number) return false;
  ::close(real<int(const char*, int, ...)>("open")(p.told.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600));
  errno = p.error;
  return true;
}

bool fails(std::string_view call, int fd) {
  if (plan().call != call) return false;
  char path[4096];
  const ssize_t size = ::readlink(("/proc/self/fd/" + std::to_string(fd)).c_str(), path, sizeof path);
  return size > 0 && fails(call, std::string_view{path, static_cast<std::size_t>(size)});
}

}  // namespace

extern "C" {

int open(const char* path, int flags, ...) {
  va_list more;
  va_start(more, flags);
  const auto mode = (flags & (O_CREAT | O_TMPFILE)) != 0 ? va_arg(more, mode_t) : mode_t{0};
  va_end(more);
  if (fails("open", std::string_view{path})) return -1;
  return real<int(const char*, int, ...)>("open")(path, flags, mode);
}
int mkostemp(char* name, int flags) {
  return fails("mkostemp", std::string_view{name}) ? -1 : real<int(char*, int)>("mkostemp")(name, flags);
}
ssize_t write(int fd, const void* data, size_t size) {
  const auto write_really = real<ssize_t(int, const void*, size_t)>("write");
  if (!fails("write", fd)) return write_really(fd, data, size);
  return plan().error == 0 ? write_really(fd, data, (size + 1) / 2) : -1;
}
ssize_t pwrite(int fd, const void* data, size_t size, off_t at) {
  const auto write_really = real<ssize_t(int, const void*, size_t, off_t)>("pwrite");
  if (!fails("pwrite", fd)) return write_really(fd, data, size, at);
  return plan().error == 0 ? write_really(fd, data, (size + 1) / 2, at) : -1;
}
int fsync(int fd) { return fails("fsync", fd) ? -1 : real<int(int)>("fsync")(fd); }
int ftruncate(int fd, off_t size) noexcept {
  return fails("ftruncate", fd) ? -1 : real<int(int, off_t)>("ftruncate")(fd, size);
}
int fchmod(int fd, mode_t mode) noexcept {
  return fails("fchmod", fd) ? -1 : real<int(int, mode_t)>("fchmod")(fd, mode);
}
int close(int fd) {
  // The descriptor is gone all the same, as close(2) says.
  const bool failing = fails("close", fd);
  const int done = real<int(int)>("close")(fd);
  if (failing) errno = plan().error;
  return failing ? -1 : done;
}
int rename(const char* from, const char* to) noexcept {
  return fails("rename", std::string_view{to}) ? -1 : real<int(const char*, const char*)>("rename")(from, to);
}
int link(const char* from, const char* to) noexcept {
  return fails("link", std::string_view{to}) ? -1 : real<int(const char*, const char*)>("link")(from, to);
}
int mkdir(const char* path, mode_t mode) noexcept {
  return fails("mkdir", std::string_view{path}) ? -1 : real<int(const char*, mode_t)>("mkdir")(path, mode);
}

}  // extern "C"
