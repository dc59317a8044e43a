#include "audio/trial.hpp"

#include <unistd.h>

#include <csignal>
#include <fstream>

#include "audio/child.hpp"

namespace pipebeat::audio {

namespace {

#ifdef PIPEBEAT_SANITIZED
constexpr bool sanitized = true;
#else
constexpr bool sanitized = false;
#endif

/// Bytes of private memory that this process may write, 0 when nobody says.
rlim_t memory_in_use() {
  std::ifstream statm{"/proc/self/statm"};
  rlim_t pages = 0;
  for (int field = 0; field < 6; ++field) statm >> pages;
  return statm ? pages * static_cast<rlim_t>(::sysconf(_SC_PAGESIZE)) : 0;
}

}  // namespace

// Other threads may be anywhere while this one forks; of theirs the child has nothing but the
// locks. POSIX promises it the async-signal-safe calls only. libsndfile needs malloc as well, and
// stderr to complain: fork gives the child both, unlocked, in glibc (NEWS: bug 19431 in 2.24,
// `_Fork` in 2.34). No other lock is on the way: libsndfile 1.2.0 and the decoders under it
// (mpg123, FLAC, Vorbis, Opus, Ogg) import no mutex, once-flag or library loading, and the time
// zone, which has one, only for writing; our callbacks hold none. Should one turn up, the alarm
// ends the wait.
bool comes_back(const std::function<SNDFILE*()>& open) {
  // The sanitizers' locks may be held by another thread, and would never be released in the child.
  if (sanitized) return true;
  constexpr rlim_t more = rlim_t{40} << 20;
  constexpr unsigned patience_s = 30;
  const rlim_t memory = memory_in_use();
  const pid_t child = ::fork();
  if (child == 0) {
    ::signal(SIGXCPU, SIG_DFL);
    ::signal(SIGALRM, SIG_DFL);
    ::alarm(patience_s);
    limit(0, RLIMIT_CORE, 0);
    limit(0, RLIMIT_CPU, 1);
    if (memory > 0) limit(0, RLIMIT_DATA, memory + more);
    open();
    ::_exit(0);
  }
  // Without a process there is no trial; the recording is worth the risk.
  if (child < 0) return true;
  const int status = reap(child);
  // A lock that nobody releases: nothing is known, and only time is lost.
  if (WIFSIGNALED(status) && WTERMSIG(status) == SIGALRM) return true;
  return WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

}  // namespace pipebeat::audio
