// What a child process may use.
#pragma once

#include <sys/resource.h>
#include <sys/types.h>

#include <algorithm>

namespace pipebeat::audio {

/// Bounds a resource of a process (0: this one), within what it is allowed anyway.
inline void limit(pid_t pid, __rlimit_resource resource, rlim_t most) {
  rlimit now{};
  if (::prlimit(pid, resource, nullptr, &now) != 0) return;
  now.rlim_cur = std::min(most, now.rlim_max);
  ::prlimit(pid, resource, &now, nullptr);
}

}  // namespace pipebeat::audio
