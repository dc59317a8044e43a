// The trial of audio/trial.hpp without a process: a hundred times as many inputs a second. What the
// library has taken when it does not come back is given back here, or a long run would end for want
// of memory.
#include <sanitizer/allocator_interface.h>
#include <sanitizer/lsan_interface.h>
#include <sys/time.h>
#include <ucontext.h>

#include <algorithm>
#include <array>
#include <csetjmp>
#include <csignal>
#include <cstddef>
#include <cstdint>
#include <cstdlib>

#include "audio/trial.hpp"

namespace pipebeat::audio {

namespace {

/// What was taken and not yet given back since the trial began. Of fixed size, as nothing may be
/// taken while it is noted; more than fits is lost.
class Taken {
 public:
  void add(const volatile void* block) {
    if (count_ < blocks_.size()) blocks_[count_++] = const_cast<void*>(block);
  }
  void remove(const volatile void* block) {
    const auto end = blocks_.begin() + static_cast<std::ptrdiff_t>(count_);
    const auto found = std::find(blocks_.begin(), end, block);
    if (found != end) *found = blocks_[--count_];
  }
  void begin() { count_ = 0; }
  void give_back() {
    while (count_ > 0) std::free(blocks_[count_ - 1]);  // takes itself off
  }

 private:
  std::array<void*, 4096> blocks_{};
  std::size_t count_ = 0;
};

Taken taken;
bool on_trial = false;
sigjmp_buf before;

void note_malloc(const volatile void* block, std::size_t) {
  if (on_trial) taken.add(block);
}
void note_free(const volatile void* block) { taken.remove(block); }

void set_timer(int milliseconds) {
  itimerval timer{};
  timer.it_value.tv_usec = suseconds_t{1000} * milliseconds;
  ::setitimer(ITIMER_VIRTUAL, &timer, nullptr);
}

// Where this program's own code lies, and with it the sanitizer's; the library is another file.
extern "C" const char __executable_start;
extern "C" const char etext;

/// True when this program was interrupted, not the library. Who jumps out of the sanitizer may take a
/// lock of it along: the next warning would wait for ever.
bool in_this_program(const void* context) {
#if defined(__x86_64__)
  const auto at = static_cast<std::uintptr_t>(static_cast<const ucontext_t*>(context)->uc_mcontext.gregs[REG_RIP]);
#elif defined(__aarch64__)
  const auto at = static_cast<std::uintptr_t>(static_cast<const ucontext_t*>(context)->uc_mcontext.pc);
#endif
  return at >= reinterpret_cast<std::uintptr_t>(&__executable_start) && at < reinterpret_cast<std::uintptr_t>(&etext);
}

void give_up(int, siginfo_t*, void* context) {
  if (in_this_program(context)) set_timer(1);
  else siglongjmp(before, 1);
}

}  // namespace

bool comes_back(const std::function<SNDFILE*()>& open) {
  constexpr int patience_ms = 100;
  static const int installed = __sanitizer_install_malloc_and_free_hooks(note_malloc, note_free);
  static_cast<void>(installed);
  struct sigaction action {};
  action.sa_sigaction = give_up;
  action.sa_flags = SA_SIGINFO;
  ::sigaction(SIGVTALRM, &action, nullptr);
  taken.begin();
  const __lsan::ScopedDisabler leaks_show_in_the_real_opening;
  if (sigsetjmp(before, 1) != 0) {
    on_trial = false;
    taken.give_back();
    return false;
  }
  on_trial = true;
  set_timer(patience_ms);
  SNDFILE* const file = open();
  set_timer(0);
  on_trial = false;
  if (file != nullptr) sf_close(file);
  return true;
}

}  // namespace pipebeat::audio
