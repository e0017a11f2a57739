from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'workspace.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = l_0_many = l_0_when = missing
    try:
        t_1 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    pass
    parent_template = environment.get_template('page.html', 'workspace.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'workspace.html').make_module(context.get_all(), True, {'many': l_0_many, 'pieces': l_0_pieces, 'when': l_0_when})
    context.exported_vars.discard('pieces')
    def macro(l_1_shown, l_1_all, l_1_words):
        t_2 = []
        if l_1_shown is missing:
            l_1_shown = undefined("parameter 'shown' was not provided", name='shown')
        if l_1_all is missing:
            l_1_all = undefined("parameter 'all' was not provided", name='all')
        if l_1_words is missing:
            l_1_words = undefined("parameter 'words' was not provided", name='words')
        pass
        if (l_1_shown < l_1_all):
            pass
            t_2.extend((
                '<p>',
                escape(environment.finalize(l_1_words)),
                ' ',
                escape(environment.finalize(t_1(l_1_shown))),
                ' of ',
                escape(environment.finalize(t_1(l_1_all))),
                '.</p>',
            ))
        return concat(t_2)
    context.exported_vars.add('many')
    context.vars['many'] = l_0_many = Macro(environment, macro, 'many', ('shown', 'all', 'words'), False, False, False, context.eval_ctx.autoescape)
    def macro(l_1_at):
        t_3 = []
        if l_1_at is missing:
            l_1_at = undefined("parameter 'at' was not provided", name='at')
        pass
        t_3.append(
            '<td class="when">',
        )
        for l_2_part in context.call(environment.getattr(l_1_at, 'split')):
            _loop_vars = {}
            pass
            t_3.extend((
                '<span>',
                escape(environment.finalize(l_2_part)),
                '</span> ',
            ))
        l_2_part = missing
        t_3.append(
            '</td>',
        )
        return concat(t_3)
    context.exported_vars.add('when')
    context.vars['when'] = l_0_when = Macro(environment, macro, 'when', ('at',), False, False, False, context.eval_ctx.autoescape)
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_at = resolve('at')
    pass
    yield '<p class="soft">As of '
    yield escape(environment.finalize((undefined(name='at') if l_0_at is missing else l_0_at)))
    yield ' UTC. The service writes this page anew when something has changed.</p>\n'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_reasons = resolve('reasons')
    l_0_in_inbox = resolve('in_inbox')
    l_0_inbox = resolve('inbox')
    l_0_many = resolve('many')
    l_0_pieces = resolve('pieces')
    l_0_strays = resolve('strays')
    l_0_waiting = resolve('waiting')
    l_0_most = resolve('most')
    l_0_counts = resolve('counts')
    l_0_returned = resolve('returned')
    l_0_done = resolve('done')
    try:
        t_1 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    try:
        t_4 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_4(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    pass
    if (undefined(name='reasons') if l_0_reasons is missing else l_0_reasons):
        pass
        yield '<section><h2>Needs a look</h2>\n<ul>'
        for l_1_reason in (undefined(name='reasons') if l_0_reasons is missing else l_0_reasons):
            _loop_vars = {}
            pass
            yield '<li>'
            yield escape(environment.finalize(l_1_reason))
            yield '</li>\n'
        l_1_reason = missing
        yield '</ul></section>\n'
    yield '\n<section><h2>In the inbox ('
    yield escape(environment.finalize(t_1((undefined(name='in_inbox') if l_0_in_inbox is missing else l_0_in_inbox))))
    yield ')</h2>\n'
    if (undefined(name='inbox') if l_0_inbox is missing else l_0_inbox):
        pass
        yield escape(environment.finalize(context.call((undefined(name='many') if l_0_many is missing else l_0_many), t_4((undefined(name='inbox') if l_0_inbox is missing else l_0_inbox)), (undefined(name='in_inbox') if l_0_in_inbox is missing else l_0_in_inbox), 'Those that lie there longest:', _block_vars=_block_vars)))
        yield '\n'
        def macro():
            t_5 = []
            pass
            t_5.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'Why it waits', 'Came (UTC)']))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='inbox') if l_0_inbox is missing else l_0_inbox):
                l_2_when = resolve('when')
                _loop_vars = {}
                pass
                t_5.extend((
                    '<tr><th scope="row">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'why'))),
                    '</td>',
                    escape(environment.finalize(context.call((undefined(name='when') if l_2_when is missing else l_2_when), environment.getattr(l_2_row, 'since'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_row = l_2_when = missing
            t_5.append(
                '</tbody></table>',
            )
            return concat(t_5)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks in the inbox', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck lies there.</p>'
    if (undefined(name='strays') if l_0_strays is missing else l_0_strays):
        pass
        yield "<p>Not taken, since they are no decks, or lie in no job's folder:</p>\n<ul>"
        for (l_1_place, l_1_why) in (undefined(name='strays') if l_0_strays is missing else l_0_strays):
            _loop_vars = {}
            pass
            yield '<li><code>'
            yield escape(environment.finalize(l_1_place))
            yield '</code> '
            yield escape(environment.finalize(l_1_why))
            yield '</li>\n'
        l_1_place = l_1_why = missing
        yield '</ul>'
    yield '</section>\n\n<section><h2>Waiting ('
    yield escape(environment.finalize(t_1(t_4((undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)))))
    yield ')</h2>\n'
    if (undefined(name='waiting') if l_0_waiting is missing else l_0_waiting):
        pass
        yield escape(environment.finalize(context.call((undefined(name='many') if l_0_many is missing else l_0_many), t_4((undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)[:(undefined(name='most') if l_0_most is missing else l_0_most)]), t_4((undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)), 'The first', _block_vars=_block_vars)))
        yield '\n'
        def macro():
            t_6 = []
            pass
            t_6.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'State', 'Taken (UTC)']))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)[:(undefined(name='most') if l_0_most is missing else l_0_most)]:
                l_2_when = resolve('when')
                _loop_vars = {}
                pass
                t_6.extend((
                    '<tr><th scope="row">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'state'))),
                ))
                if environment.getattr(l_2_row, 'why'):
                    pass
                    t_6.extend((
                        ': ',
                        escape(environment.finalize(environment.getattr(l_2_row, 'why'))),
                    ))
                t_6.extend((
                    '</td>',
                    escape(environment.finalize(context.call((undefined(name='when') if l_2_when is missing else l_2_when), environment.getattr(l_2_row, 'taken'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_row = l_2_when = missing
            t_6.append(
                '</tbody></table>',
            )
            return concat(t_6)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks that wait', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck waits.</p>'
    yield '</section>\n\n<section><h2>Returned ('
    yield escape(environment.finalize(t_1(environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'returned'))))
    yield ')</h2>\n'
    if (undefined(name='returned') if l_0_returned is missing else l_0_returned):
        pass
        yield '<p>Whole decks that could not be run: look at the reason, put the deck right and drop it again.</p>\n'
        yield escape(environment.finalize(context.call((undefined(name='many') if l_0_many is missing else l_0_many), t_4((undefined(name='returned') if l_0_returned is missing else l_0_returned)), environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'returned'), 'The latest', _block_vars=_block_vars)))
        yield '\n'
        def macro():
            t_7 = []
            pass
            t_7.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'Reason', 'Returned (UTC)']))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='returned') if l_0_returned is missing else l_0_returned):
                l_2_when = resolve('when')
                _loop_vars = {}
                pass
                t_7.extend((
                    '<tr><th scope="row">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td><td>',
                ))
                if environment.getattr(l_2_row, 'folder'):
                    pass
                    t_7.extend((
                        '<a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/reasons.txt">',
                        escape(environment.finalize(environment.getattr(l_2_row, 'says'))),
                        '</a>',
                    ))
                else:
                    pass
                    t_7.extend((
                        escape(environment.finalize(environment.getattr(l_2_row, 'says'))),
                        '; the run is no longer here',
                    ))
                t_7.extend((
                    ' <small class="code">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'why'))),
                    '</small></td>',
                    escape(environment.finalize(context.call((undefined(name='when') if l_2_when is missing else l_2_when), environment.getattr(l_2_row, 'ended'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_row = l_2_when = missing
            t_7.append(
                '</tbody></table>',
            )
            return concat(t_7)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks that were returned', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck was returned.</p>'
    yield '</section>\n\n<section><h2>Done ('
    yield escape(environment.finalize(t_1(environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'done'))))
    yield ')</h2>\n'
    if (undefined(name='done') if l_0_done is missing else l_0_done):
        pass
        if (t_4((undefined(name='done') if l_0_done is missing else l_0_done)) < environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'done')):
            pass
            yield '<p>The latest '
            yield escape(environment.finalize(t_1(t_4((undefined(name='done') if l_0_done is missing else l_0_done)))))
            yield ' of '
            yield escape(environment.finalize(t_1(environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'done'))))
            yield '. Older ones are in the folder <code>by-name</code>, under the name of the deck.</p>'
        def macro():
            t_8 = []
            pass
            t_8.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'Cards', 'Returned', 'Results', 'Done (UTC)'], (2, 3)))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='done') if l_0_done is missing else l_0_done):
                l_2_when = resolve('when')
                _loop_vars = {}
                pass
                t_8.append(
                    '<tr><th scope="row">',
                )
                if environment.getattr(l_2_row, 'folder'):
                    pass
                    t_8.extend((
                        '<a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/out/control.html">',
                        escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                        '</a>',
                    ))
                else:
                    pass
                    t_8.append(
                        escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    )
                t_8.extend((
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_row, 'cards'), _loop_vars=_loop_vars))),
                ))
                if (environment.getattr(l_2_row, 'back') and environment.getattr(l_2_row, 'folder')):
                    pass
                    t_8.extend((
                        '<td class="n"><a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/out/returned/">',
                        escape(environment.finalize(t_1(environment.getattr(l_2_row, 'back')))),
                        '</a></td>',
                    ))
                else:
                    pass
                    t_8.append(
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_row, 'back'), _loop_vars=_loop_vars))),
                    )
                t_8.append(
                    '<td>',
                )
                if environment.getattr(l_2_row, 'folder'):
                    pass
                    t_8.extend((
                        '<a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/out/out/">deliveries</a>',
                    ))
                else:
                    pass
                    t_8.append(
                        'no longer here',
                    )
                t_8.extend((
                    '</td>',
                    escape(environment.finalize(context.call((undefined(name='when') if l_2_when is missing else l_2_when), environment.getattr(l_2_row, 'ended'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_row = l_2_when = missing
            t_8.append(
                '</tbody></table>',
            )
            return concat(t_8)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks that are done', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck is done yet.</p>'
    yield '</section>\n'

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=19&2=22&3=24&5=47&7=72&8=82&11=85&12=116&14=119&18=128&19=130&20=132&21=134&22=139&23=142&21=163&26=167&28=170&32=181&33=183&34=185&35=187&36=192&37=195&35=224&42=229&43=231&45=234&46=236&47=241&48=244&46=283&53=288&54=290&55=292&56=299&57=304&58=307&59=334&60=351&56=374'
