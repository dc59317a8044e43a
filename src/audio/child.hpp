// Child processes: what one may use, and how it ended.
#pragma once

#include <sys/resource.h>
#include <sys/types.h>
#include <sys/wait.h>

#include <algorithm>
#include <cerrno>

namespace pipebeat::audio {

/// Bounds a resource of a process (0: this one), within what it is allowed anyway.
inline void limit(pid_t pid, __rlimit_resource resource, rlim_t most) {
  rlimit now{};
  if (::prlimit(pid, resource, nullptr, &now) != 0) return;
  now.rlim_cur = std::min(most, now.rlim_max);
  ::prlimit(pid, resource, &now, nullptr);
}

/// Waits for a child of ours whatever signals arrive; its status, as waitpid(2) gives it.
inline int reap(pid_t pid) {
  int status = 0;
  while (::waitpid(pid, &status, 0) < 0 && errno == EINTR) {
  }
  return status;
}

}  // namespace pipebeat::audio
