-- Sends bodies in turn, each a head and a tail, each of a patient never sent before, and counts
-- the answers by status. Arguments: the file of heads and that of tails (one a line), the first
-- serial, the mark whose place a serial takes.

local threads = {}

function setup(thread)
  thread:set("number", #threads)
  table.insert(threads, thread)
end

function init(args)
  heads, tails, mark = {}, {}, args[4]
  serial = tonumber(args[3]) + number * 10000000
  statuses, unexplained, turn = {}, 0, -1
  for line in io.lines(args[1]) do table.insert(heads, split(line, mark)) end
  for line in io.lines(args[2]) do table.insert(tails, split(line, mark)) end
end

function split(text, mark) -- pieces with a place to put the serial between each two
  local pieces, start = { bytes = #text }, 1
  while true do
    local first, last = string.find(text, mark, start, true)
    if not first then break end
    table.insert(pieces, string.sub(text, start, first - 1))
    start = last + 1
  end
  table.insert(pieces, string.sub(text, start))
  return pieces
end

function request()
  turn, serial = turn + 1, serial + 1
  local head, tail = heads[turn % #heads + 1], tails[turn % #tails + 1]
  local patient = string.format("%08d", serial)
  return table.concat({
    "POST ", wrk.path, " HTTP/1.1\r\nHost: ", wrk.headers["Host"],
    "\r\nContent-Type: application/fhir+json\r\nAccept: application/fhir+json",
    "\r\nContent-Length: ", head.bytes + tail.bytes, "\r\n\r\n",
    table.concat(head, patient), table.concat(tail, patient),
  })
end

function response(status, headers) -- a deliberate refusal says when to come back
  statuses[status] = (statuses[status] or 0) + 1
  if status ~= 200 and not headers["retry-after"] then unexplained = unexplained + 1 end
end

function done(summary, latency)
  local parts = {}
  for _, thread in ipairs(threads) do
    for status, times in pairs(thread:get("statuses")) do
      table.insert(parts, string.format("status %d %d", status, times))
    end
    table.insert(parts, string.format("error unexplained %d", thread:get("unexplained")))
  end
  for _, kind in ipairs({ "connect", "read", "write", "timeout" }) do
    table.insert(parts, string.format("error %s %d", kind, summary.errors[kind]))
  end
  table.insert(parts, string.format("lasted %d 0", summary.duration))
  for i = 1, #latency do
    local microseconds, times = latency(i)
    table.insert(parts, string.format("took %d %d", microseconds, times))
  end
  io.write("\n", table.concat(parts, "\n"), "\n")
end
